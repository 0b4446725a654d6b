"""A run or night as a short Markdown text, for the summary page of a CI job.

The one rule: the worst comes first and the text stays short; what is left out is counted.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.errors import many
from harness.records import SEVERITY_ORDER, RunRecord, Verdict, worst
from harness_reports.looks import tally_text
from harness_reports.secrets import Scrubber
from harness_reports.ticket import markdown_environment

MAX_CHIPS = 16
MAX_CAUSES = 8
MAX_TABLES = 12
"""Maximum numbers of lines of each kind; the pages have everything."""


def run_markdown(run: RunRecord, lines: Sequence[str] = ()) -> str:
    """Return the text, ending in a newline; ``lines`` of a night come first."""
    shown = Scrubber().record(run)
    chips = sorted(shown.chips, key=lambda chip: SEVERITY_ORDER.index(chip.verdict))
    every = (outcome for chip in chips for outcome in chip.outcomes if not outcome.cause)
    wrong = (o for o in every if o.verdict.failed or o.verdict is Verdict.ERROR)
    loud = sorted(wrong, key=lambda outcome: SEVERITY_ORDER.index(outcome.verdict))
    counts = (
        (len(shown.causes) - MAX_CAUSES, "more cause"),
        (len(loud) - MAX_TABLES, "more unexplained table"),
    )
    verdicts = [chip.verdict for chip in chips]
    return (
        markdown_environment()
        .get_template("run.md.jinja")
        .render(
            run=shown,
            verdict=worst(verdicts),
            headline=f"{many(len(verdicts), 'chip')}: {tally_text(verdicts)}."
            if verdicts
            else "No board was reached.",
            lines=lines,
            chips=chips[:MAX_CHIPS],
            tables={chip.slot: tally_text(o.verdict for o in chip.outcomes) for chip in chips},
            left=many(len(chips) - MAX_CHIPS, "more chip") if len(chips) > MAX_CHIPS else "",
            causes=shown.causes[:MAX_CAUSES],
            loud=loud[:MAX_TABLES],
            more=[f"{many(count, what)} in the report" for count, what in counts if count > 0],
        )
    )

"""A short Markdown text about one chip, ready to paste into a ticket.

The one rule: text of a record stays text, whatever Markdown or HTML it looks like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.store import ChipRecord, Outcome, RunRecord, Verdict
from reports.texts import agreement, first_mismatch, many, moment, printable

SHOWN = 12
"""So many tables that did not pass are told; the report in the bundle has all."""

_QUIET = {Verdict.PASS, Verdict.NOT_RUN}
_SPECIAL = re.compile(r"[\\`*_\[\]#|~$]")


def ticket_markdown(run: RunRecord, chip: ChipRecord) -> str:
    """Return the text, ending in a newline."""
    return "\n".join(_lines(run, chip)) + "\n"


def plain_markdown(text: str) -> str:
    """Return text on one line with nothing in it that Markdown or HTML would act on."""
    line = " ".join(printable(text).split())
    line = line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    # a backslash does not keep every tracker from notifying people, a character reference does
    return _SPECIAL.sub(r"\\\g<0>", line).replace("@", "&#64;").replace("://", "&#58;//")


def _lines(run: RunRecord, chip: ChipRecord) -> Iterator[str]:
    plain = plain_markdown
    kind = "virtual board" if chip.virtual else "board"
    yield f"## Chip {plain(chip.chip_serial)}: {chip.verdict}"
    yield ""
    yield (
        f"{run.kind.capitalize()} {plain(run.run_id)}, {moment(run.started)}, "
        f"shuttle {plain(run.shuttle)}, "
        f"{kind} {plain(chip.board_serial or 'not known')} in slot {plain(chip.slot)}."
    )
    yield ""
    if chip.trouble:
        yield from (f"The slot could not be used: {plain(chip.trouble)}", "")
    yield from _findings(chip)
    yield (
        f"Tool {plain(run.tool_version)}, agent {plain(chip.agent_version or 'none')}, "
        f"interpreter {plain(chip.interpreter or 'none')}."
    )
    yield ""
    yield "Run it again from the attached bundle: `harness replay BUNDLE.zip`"


def _findings(chip: ChipRecord) -> Iterator[str]:
    loud = [outcome for outcome in chip.outcomes if outcome.verdict not in _QUIET]
    for outcome in loud[:SHOWN]:
        yield from _finding(outcome)
    if loud:
        yield ""
    if len(loud) > SHOWN:
        yield from (f"{many(len(loud) - SHOWN, 'more table')} in the report.", "")
    passed = sum(outcome.verdict is Verdict.PASS for outcome in chip.outcomes)
    unrun = sum(outcome.verdict is Verdict.NOT_RUN for outcome in chip.outcomes)
    yield f"{many(passed, 'table')} passed, {unrun} not run."
    yield ""


def _finding(outcome: Outcome) -> Iterator[str]:
    plain = plain_markdown
    yield (
        f"- **{plain(outcome.design)}/{plain(outcome.table)}: {outcome.verdict}.** "
        f"{plain(outcome.summary)}"
    )
    first = first_mismatch(outcome)
    if first:
        yield f"  - First: {plain(first)}. {plain(agreement(outcome.attempts))}"
    if outcome.advice:
        yield f"  - {plain(outcome.advice)}"

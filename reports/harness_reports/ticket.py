"""A short Markdown text about one chip, ready to paste into a ticket.

The one rule: text of a record stays text, whatever Markdown or HTML it looks like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.errors import printable
from harness.records import ChipRecord, Outcome, RunRecord, Verdict
from harness_reports.texts import agreement, first_mismatch, many, moment

SHOWN = 12
"""So many tables that did not pass are told; the report in the bundle has all."""

_START = "## Chip "
_END = "Run it again from the attached bundle: `harness replay BUNDLE.zip`"
_WWW = re.compile(r"(www)\.", re.IGNORECASE)
_SPECIAL = re.compile(r"[\\`*_\[\]#|~$]")


def ticket_markdown(run: RunRecord, chip: ChipRecord) -> str:
    """Return the text, ending in a newline."""
    return "\n".join(_lines(run, chip)) + "\n"


def is_ticket(data: bytes) -> bool:
    """Tell whether a file's content is such a text, so that a new one may take its place."""
    return data.startswith(_START.encode()) and data.endswith(f"{_END}\n".encode())


def plain_markdown(text: str) -> str:
    """Return text on one line with nothing in it that Markdown or HTML would act on."""
    line = " ".join(printable(text).split())
    line = line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    # a backslash does not keep every tracker from notifying people, a character reference does
    line = _SPECIAL.sub(r"\\\g<0>", line).replace("@", "&#64;").replace("://", "&#58;//")
    return _WWW.sub(r"\1&#46;", line)


def _lines(run: RunRecord, chip: ChipRecord) -> Iterator[str]:
    plain = plain_markdown
    kind = "virtual board" if chip.virtual else "board"
    yield f"{_START}{plain(chip.chip_serial)}: {chip.verdict}"
    yield ""
    yield (
        f"{run.kind.capitalize()} {plain(run.run_id)}, {moment(run.started)}, "
        f"shuttle {plain(run.shuttle)}, "
        f"{kind} {plain(chip.board_serial or 'not known')} in slot {plain(chip.slot)}."
    )
    yield ""
    if chip.trouble:
        yield from (f"The slot could not be used: {plain(chip.trouble)}", "")
    yield from _stopped(run, chip)
    yield from _findings(chip)
    yield (
        f"Tool {plain(run.tool_version)}, agent {plain(chip.agent_version or 'none')}, "
        f"interpreter {plain(chip.interpreter or 'none')}."
    )
    yield ""
    yield _END


def _stopped(run: RunRecord, chip: ChipRecord) -> Iterator[str]:
    """Tell of a run that did not come to its end, and why its first table had no turn."""
    if not run.cancelled and run.finished is not None:
        return
    plain = plain_markdown
    yield "**The run was stopped before its end.**"
    unrun = next((o for o in chip.outcomes if o.verdict is Verdict.NOT_RUN), None)
    if unrun is not None:
        yield f"First not run: {plain(unrun.design)}/{plain(unrun.table)}: {plain(unrun.summary)}"
    yield ""


def _findings(chip: ChipRecord) -> Iterator[str]:
    loud = [outcome for outcome in chip.outcomes if not outcome.verdict.quiet]
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

"""Print the end of a run: a line per chip, what went wrong, and where the reports are."""

from __future__ import annotations

from collections.abc import Iterator

from rich.table import Table

import harness_reports
from harness.cli.screen import Screen, shown
from harness.cli.words import counts_text, verdict_rich, verdict_words
from harness.errors import many
from harness.records import SEVERITY_ORDER, ChipRecord, Outcome, RunRecord

MAX_SHOWN_CAUSES = 8
"""Maximum number of causes spelled out; the pages have them all."""

MAX_SHOWN_PER_CHIP = 3
"""Maximum number of outcomes spelled out per chip that no cause explains; the pages have all."""


def print_verdicts(screen: Screen, run: RunRecord) -> None:
    """Print each chip's verdict and, below it, the worst that went wrong."""
    if run.chips:
        _print_chips(screen, run)
    else:
        screen.say("This run reached no board; nothing was tested.")
    if run.cancelled:
        screen.say("The run was stopped; results so far are kept.")


def _print_chips(screen: Screen, run: RunRecord) -> None:
    table = Table("slot", "chip", "board", "verdict", "tables", box=None, pad_edge=False)
    for chip in run.chips:
        table.add_row(
            *map(shown, (chip.slot, chip.chip_serial, chip.board_serial)),
            verdict_rich(chip.verdict),
            counts_text(outcome.verdict for outcome in chip.outcomes),
        )
    screen.print(table)
    screen.say_each(cause_lines(run))
    screen.say_each(f"{chip.chip_serial}: {chip.trouble}" for chip in run.unnamed_troubles)
    for chip in (chip for chip in run.chips if not chip.trouble):
        screen.say_each(_troubles(chip))


def cause_lines(run: RunRecord) -> Iterator[str]:
    """Say what failed and what would settle it: a line for each cause, and for a decision on it."""
    for cause in run.causes[:MAX_SHOWN_CAUSES]:
        yield f"{cause.summary} {cause.advice}".strip()
        if cause.overruled is not None:
            yield f"  {harness_reports.decision_text(cause.overruled)}"
    if (left := len(run.causes) - MAX_SHOWN_CAUSES) > 0:
        yield f"{many(left, 'more cause')} in the report"


def print_reports(screen: Screen, written: harness_reports.WrittenReports) -> None:
    """Print where the reports are."""
    screen.say("Reports:")
    for what, path in (
        ("all chips", written.index),
        ("JUnit XML", written.junit),
        ("JSON", written.json),
    ):
        screen.say(f"  {what:<10} {path}")
    screen.say_each(f"  {chip.chip_serial:<10} {chip.html}" for chip in written.chips)


def _troubles(chip: ChipRecord) -> list[str]:
    bad = [o for o in chip.outcomes if not o.verdict.quiet and not o.cause]
    bad.sort(key=lambda outcome: SEVERITY_ORDER.index(outcome.verdict))
    lines = [_trouble(outcome) for outcome in bad[:MAX_SHOWN_PER_CHIP]]
    if len(bad) > MAX_SHOWN_PER_CHIP:
        lines.append(f"{chip.chip_serial}: {len(bad) - MAX_SHOWN_PER_CHIP} more in the report")
    return lines


def _trouble(outcome: Outcome) -> str:
    return (
        f"{outcome.chip_serial}: {outcome.design}/{outcome.table} "
        f"{verdict_words(outcome)}  {outcome.summary}"
    )

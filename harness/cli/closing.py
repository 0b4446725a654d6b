"""Print the end of a run: a line per chip, what went wrong, and where the reports are."""

from __future__ import annotations

from rich.table import Table

from harness.cli.screen import Screen, shown
from harness.cli.words import counts_text, verdict_rich, verdict_text
from harness.records import ChipRecord, Outcome, RunRecord
from harness_reports import WrittenReports

MAX_SHOWN_PER_CHIP = 3
"""Maximum number of outcomes that are not PASS spelled out per chip; the pages have them all."""


def print_verdicts(screen: Screen, run: RunRecord) -> None:
    """Print each chip's verdict and, below it, the first things that went wrong."""
    if run.chips:
        _print_chips(screen, run)
    else:
        screen.say("This run reached no board; nothing was tested.")
    if run.cancelled:
        screen.say("The run was stopped; results so far are kept.")


def _print_chips(screen: Screen, run: RunRecord) -> None:
    table = Table(box=None, pad_edge=False, show_header=True)
    for heading in ("slot", "chip", "board", "verdict", "tables"):
        table.add_column(heading)
    for chip in run.chips:
        table.add_row(
            *map(shown, (chip.slot, chip.chip_serial, chip.board_serial)),
            verdict_rich(chip.verdict),
            counts_text(outcome.verdict for outcome in chip.outcomes),
        )
    screen.print(table)
    for chip in run.chips:
        for line in _troubles(chip):
            screen.say(line)


def print_reports(screen: Screen, written: WrittenReports) -> None:
    """Print where the reports are."""
    screen.say("Reports:")
    for what, path in (
        ("all chips", written.index),
        ("JUnit XML", written.junit),
        ("JSON", written.json),
    ):
        screen.say(f"  {what:<10} {path}")
    for chip in written.chips:
        screen.say(f"  {chip.chip_serial:<10} {chip.html}")


def _troubles(chip: ChipRecord) -> list[str]:
    if chip.trouble:
        return [f"{chip.chip_serial}: {chip.trouble}"]
    bad = [outcome for outcome in chip.outcomes if not outcome.verdict.quiet]
    lines = [_trouble(outcome) for outcome in bad[:MAX_SHOWN_PER_CHIP]]
    if len(bad) > MAX_SHOWN_PER_CHIP:
        lines.append(f"{chip.chip_serial}: {len(bad) - MAX_SHOWN_PER_CHIP} more in the report")
    return lines


def _trouble(outcome: Outcome) -> str:
    return (
        f"{outcome.chip_serial}: {outcome.design}/{outcome.table} "
        f"{verdict_text(outcome.verdict)}  {outcome.summary}"
    )

"""``harness grade``: what a design's tables would notice on its gates."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP
from harness.cli.screen import Screen, complain, console
from harness.errors import many
from harness.records import STUCK_AT, DesignGrade, FaultCount, MissedFault, TableGrade

MAX_SHOWN = 10
"""Maximum number of undetected faults that are printed for a design."""


def grade(
    tables: Annotated[
        list[str] | None,
        typer.Argument(help="Only these: DESIGN or DESIGN/TABLE, or patterns such as crc*."),
    ] = None,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
    every: Annotated[
        bool, typer.Option("--all", help="Print every undetected fault, not the first ten.")
    ] = False,
) -> ExitCode:
    """Grade tables: which single stuck-at faults of a design's gates they would notice.

    Each fault is put into the design's netlist in turn. It is detected if a tested output differs
    surely, from an unknown power-up state: without a reset in the table nearly nothing is. The
    grade is kept as grade.json beside design.toml if all tables of a design were graded, and
    reports of chips show it beside PASS. A fault may be waived in shuttle.toml: a [[waiver]] with
    `fault` and the name that is printed here.

    Exit status: 0 graded, 2 wrong usage or input, 3 a design or table could not be graded.
    """
    screen = console()
    done = harness.grade_tables(harness.load_shuttle(shuttle), tables or (), complain)
    for one in done:
        if one.grade is None:
            screen.say(f"{one.design}: not graded: {one.why}")
            continue
        for line in _lines(one.grade, None if every else MAX_SHOWN):
            screen.say(line)
        for finding in one.findings:
            screen.say(str(finding))
    _summary(screen, done)
    return ExitCode.ALL_PASS if all(map(_complete, done)) else ExitCode.NOT_TESTED


def _complete(one: harness.GradedDesign) -> bool:
    return one.grade is not None and not any(table.why for table in one.grade.tables)


def _lines(grade: DesignGrade, limit: int | None) -> Iterator[str]:
    """Say what the grade of a design says."""
    count, all_faults = grade.count, many(grade.count.faults, "fault")
    yield (
        f"{grade.design}: fault coverage {count.fault_coverage:.1%} ({STUCK_AT}), "
        f"test coverage {count.test_coverage:.1%}, toggle coverage {grade.toggle.coverage:.1%}"
    )
    yield f"  {all_faults}, {grade.collapsed.faults} after collapsing: {_counts(count)}"
    yield f"  cells: {', '.join(grade.cells)}"
    if grade.proof:
        yield f"  {grade.proof}"
    for table in grade.tables:
        yield f"  {_table(table)}"
    if grade.missed:
        yield "  What these tables would not notice:"
    shown = grade.missed[:limit]
    for fault in shown:
        yield f"    {_missed(fault)}"
    if len(shown) < len(grade.missed):
        yield f"    and {len(grade.missed) - len(shown)} more; --all prints them"


def _counts(count: FaultCount) -> str:
    parts = [f"{count.detected} detected", f"{count.undetected} undetected"]
    parts += [
        f"{number} of these {words}"
        for number, words in (
            (count.possible, "possibly detected"),
            (count.untestable, "proven untestable"),
            (count.waived, "waived"),
        )
        if number
    ]
    return ", ".join(parts)


def _table(table: TableGrade) -> str:
    if table.count is None:
        return f"{table.name}: not graded: {table.why}"
    words = f"{table.name}: {table.count.fault_coverage:.1%} in {many(table.vectors, 'vector')}"
    loops = " (has match loops: judged from three power-up states)" if table.judged else ""
    last = f", the last that detects any is {table.curve[-1].vectors}" if table.curve else ""
    return words + last + loops


def _missed(fault: MissedFault) -> str:
    """``zero stuck at 0, from rem (crc16.v:13) to zero: no row sets it to 1``."""
    ways = ", ".join(map(str, fault.sources)), ", ".join(map(str, fault.sinks))
    between = f"{fault.name}, from {ways[0] or 'nothing'} to {ways[1] or 'nothing'}"
    if fault.untestable:
        return f"{between}: proven untestable, no table can"
    if fault.waiver:
        return f"{between}: waived by {fault.waiver.owner}: {fault.waiver.reason}"
    if fault.possible:
        return f"{between}: only possibly, it leaves an output unknown"
    if not fault.reached:
        return f"{between}: no row sets it to {1 - fault.level}"
    return f"{between}: no tested output shows it"


def _summary(screen: Screen, done: tuple[harness.GradedDesign, ...]) -> None:
    kept = [one.path for one in done if one.path]
    graded = sum(one.grade is not None for one in done)
    screen.say(f"{many(graded, 'design')} graded" + (f", {len(kept)} kept" if kept else ""))

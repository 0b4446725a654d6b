"""``harness grade``: what a design's tables would notice on its gates."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.exit_code import ExitCode
from harness.cli.following import say_next
from harness.cli.options import (
    SHUTTLE_HELP,
    TABLES_HELP,
    ProcessesOption,
    SchedulerOption,
    workers,
)
from harness.cli.screen import Screen, complain, console
from harness.errors import many
from harness.records import STUCK_AT, DesignGrade, MissedFault, TableGrade, encode, to_text

MAX_SHOWN = 10
"""Maximum number of undetected faults that are printed for a design."""


def grade(
    tables: Annotated[list[str] | None, typer.Argument(help=TABLES_HELP)] = None,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
    every: Annotated[
        bool, typer.Option("--all", help="Print every undetected fault, not the first ten.")
    ] = False,
    page: Annotated[
        Path | None, typer.Option(help="Write a page with coverage curves into this folder.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the grades as JSON, one a line, and nothing else.")
    ] = False,
    cells: Annotated[
        harness.Cells,
        typer.Option(help="`simple` grades simple gates that Yosys makes of the design; not kept."),
    ] = harness.Cells.OWN,
    processes: ProcessesOption = 0,
    scheduler: SchedulerOption = "",
) -> ExitCode:
    """Grade tables: which single stuck-at faults of a design's gates they would notice.

    Each fault is put into the design's netlist in turn. It is detected if a tested output certainly
    differs, with all flip-flops unknown at power-up: without a reset in the table, almost none is.
    The grade is kept as grade.json beside design.toml if all tables of a design were graded, and
    reports of chips show it beside PASS. To waive a fault, add a [[waiver]] to shuttle.toml, with
    the name that is printed here as its `fault`.

    Exit status: 0 graded, 2 wrong usage or input, 3 a design or table could not be graded.
    """
    screen = console()
    by = workers(processes, scheduler)
    known = harness.load_shuttle(shuttle)
    done = harness.grade_tables(known, tables or (), complain, by, cells)
    (_print_json if as_json else _print)(screen, done, None if every else MAX_SHOWN)
    if not as_json and len(done) == 1 and _to_strengthen(done[0]):
        say_next(screen, known.path, "strengthen", done[0].design)
    grades = [one.grade for one in done if one.grade is not None]
    if page is not None and grades:
        path = harness_reports.write_grades(grades, page)
        (complain if as_json else screen.say)(f"page: {path}")
    return ExitCode.ALL_PASS if all(map(_complete, done)) else ExitCode.NOT_TESTED


def _to_strengthen(one: harness.GradedDesign) -> bool:
    """Whether a grade that is kept leaves faults that more rows may detect."""
    missed = one.grade.missed if one.grade is not None and one.path is not None else ()
    return not all(fault.untestable or fault.waiver for fault in missed)


def _print_json(screen: Screen, done: tuple[harness.GradedDesign, ...], _limit: int | None) -> None:
    for one in done:
        if one.grade is not None:
            screen.say(to_text(encode(one.grade)))
        else:
            complain(f"{one.design}: not graded: {one.why}")
        for finding in one.findings:
            complain(str(finding))


def _print(screen: Screen, done: tuple[harness.GradedDesign, ...], limit: int | None) -> None:
    for one in done:
        if one.grade is None:
            screen.say(f"{one.design}: not graded: {one.why}")
            continue
        screen.say_each(_lines(one.grade, limit))
        screen.say_each(one.findings)
    kept = sum(one.path is not None for one in done)
    graded = sum(one.grade is not None for one in done)
    screen.say(f"{many(graded, 'design')} graded" + (f", {kept} kept" if kept else ""))


def _complete(one: harness.GradedDesign) -> bool:
    return one.grade is not None and not any(table.why for table in one.grade.tables)


def _lines(grade: DesignGrade, limit: int | None) -> Iterator[str]:
    """Say what the grade of a design says."""
    count, percent = grade.count, harness_reports.percent
    yield (
        f"{grade.design}: fault coverage {percent(count.fault_coverage)} ({STUCK_AT}), test "
        f"coverage {percent(count.test_coverage)}, toggle coverage {percent(grade.toggle.coverage)}"
    )
    for line in harness_reports.fault_counts(grade):
        yield f"  {line}"
    yield f"  cells: {', '.join(grade.cells)}"
    if grade.prepared:
        yield f"  {grade.prepared}"
    if grade.proof:
        yield f"  untestable faults: {grade.proof}"
    for table in grade.tables:
        yield f"  {_table(table)}"
    if grade.missed:
        yield "  Distinct faults that these tables would not notice:"
    shown = grade.missed[:limit]
    for fault in shown:
        yield f"    {_missed(fault)}"
    if len(shown) < len(grade.missed):
        yield f"    and {len(grade.missed) - len(shown)} more; --all prints them"


def _table(table: TableGrade) -> str:
    if table.count is None:
        return f"{table.name}: not graded: {table.why}"
    share = harness_reports.percent(table.count.fault_coverage)
    words = f"{table.name}: {share} in {many(table.vectors, 'vector')}"
    loops = " (has match loops: judged from three power-up states)" if table.judged else ""
    last = f", the last that detects any is {table.curve[-1].vectors}" if table.curve else ""
    return words + last + loops


def _missed(fault: MissedFault) -> str:
    """``zero stuck at 0, from rem (crc16.v:13) to zero (crc16.v:11): no row sets it to 1``."""
    ways = (", ".join(map(str, bounds)) or "nothing" for bounds in (fault.sources, fault.sinks))
    return f"{fault.name}, from {' to '.join(ways)}: {harness_reports.why_missed(fault)}"

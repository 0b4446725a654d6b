"""``harness strengthen``: rows for faults that a table would not notice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.exit_code import ExitCode
from harness.cli.made import closing
from harness.cli.options import SHUTTLE_HELP
from harness.cli.screen import complain, console
from harness.errors import many
from harness.records import STUCK_AT, FaultCount


def strengthen(
    wanted: Annotated[
        str,
        typer.Argument(
            metavar="TABLE", help="DESIGN/TABLE, or DESIGN for what none of its tables notices."
        ),
    ],
    table: Annotated[
        str, typer.Option(help="Name of the new table; default: TABLE_more, or more.")
    ] = "",
    seed: Annotated[int, typer.Option(help="The same seed gives the same rows.")] = 0,
    rows: Annotated[int, typer.Option(min=1, help="About how many rows at most.")] = 300,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace a table that is already there.")
    ] = False,
) -> ExitCode:
    """Propose rows for faults that a table would not notice, and write them as a new table.

    Rows are drawn at random as long as that helps, then sought fault by fault (this needs pip
    install 'harness[proof]'). Expected values are computed from the netlist, so the new table is
    marked as unconfirmed: compare its rows with the specification, then remove the mark from
    design.toml. Until then nothing counts them.

    Exit status: 0 written, or nothing to add, 1 the new table fails its rehearsal, 2 wrong usage or
    input, 3 the netlist cannot be used.
    """
    screen = console()
    done = harness.strengthen_table(
        harness.load_shuttle(shuttle), wanted, table, seed, rows, complain, replace=replace
    )
    screen.say_each(_lines(done))
    if done.table is None:
        screen.say("Nothing is written: no row was found that detects more.")
        return ExitCode.ALL_PASS
    screen.say(
        "Compare the rows with the specification, then remove `unconfirmed` from "
        f"[tables.{done.table.name.partition('/')[2]}] of design.toml: only then do they count."
    )
    return closing(done.table)


def _lines(done: harness.StrongerTable) -> Iterator[str]:
    """Say what each group of rows gains, and what is left."""
    proposal, before = done.proposal, done.before
    yield f"before: {_coverage(before)}, {harness_reports.count_text(before)}"
    detected = before.detected
    for group in proposal.groups:
        gained = detected + group.gained
        steps = (_percent(detected, before.faults), _percent(gained, before.faults))
        first, last = done.first_line + group.first, done.first_line + group.last - 1
        place = f"line {first}" if first == last else f"lines {first} to {last}"
        why = f"for {group.fault}" if group.fault else "random"
        yield f"  {place}, {why}: {' → '.join(steps)}"
        detected = gained
    yield f"after:  {_coverage(done.after)}, {harness_reports.count_text(done.after)}"
    if done.follows:
        yield f"The new table begins with the rows of {done.follows}, which has no reset."
    left = (
        (proposal.no_test, f"without a test within {many(proposal.depth, 'row')}"),
        (proposal.open, "given up"),
        (proposal.untried, proposal.why or "not tried: --rows was reached"),
    )
    for count, words in left:
        if count:
            yield f"  {many(count, 'fault')} left: {words}"


def _coverage(count: FaultCount) -> str:
    fault, test = map(harness_reports.percent, (count.fault_coverage, count.test_coverage))
    return f"fault coverage {fault} ({STUCK_AT}), test coverage {test}"


def _percent(detected: int, faults: int) -> str:
    return harness_reports.percent(FaultCount(faults, detected).fault_coverage)

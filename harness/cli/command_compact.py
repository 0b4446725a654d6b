"""``harness compact``: a short table from the rows of others, with the same coverage."""

from __future__ import annotations

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

MAX_SHOWN = 8
"""Maximum number of kept pieces that are printed."""


def compact(
    design: Annotated[str, typer.Argument(help="A design of shuttle.toml here, or its folder.")],
    tables: Annotated[
        list[str] | None, typer.Argument(help="Only these tables of it; default: all.")
    ] = None,
    table: Annotated[str, typer.Option(help="Name of the new table.")] = "short",
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace a table that is already there.")
    ] = False,
) -> ExitCode:
    """Make a short table that detects all faults that a design's tables detect, for intake.

    Keeps the author's own rows: parts from a reset on, of the fewest cycles in all; of a design
    without flip-flops, single rows. The tables stay as they are. Prints time, vectors and fault
    coverage before and after, and rehearses the new table on the design's netlist.

    Exit status: 0 the table passes its rehearsal, 1 it fails, 2 wrong usage or input, 3 the netlist
    cannot be used.
    """
    screen = console()
    made = harness.compact_tables(design, tables or (), table, shuttle, complain, replace=replace)
    screen.say(f"before: {_size(made.size_before)}, {_coverage(made.before)}")
    screen.say(f"after:  {_size(made.size)}, {_coverage(made.after)}")
    screen.say_each(f"  {piece}" for piece in made.kept[:MAX_SHOWN])
    if len(made.kept) > MAX_SHOWN:
        more = len(made.kept) - MAX_SHOWN
        screen.say(f"  and {more:,} more, which the notes in the table name")
    if made.least < made.size.cycles:
        screen.say(f"It may not be the shortest: at least {many(made.least, 'cycle')} are needed.")
    screen.say(f"For intake, set intake = true in [tables.{table}] of design.toml.")
    return closing(made)


def _size(size: harness.TableSize) -> str:
    took = harness_reports.duration(size.seconds)
    return f"{many(size.vectors, 'vector')}, {many(size.cycles, 'cycle')}, {took}"


def _coverage(count: FaultCount) -> str:
    return f"fault coverage {harness_reports.percent(count.fault_coverage)} ({STUCK_AT})"

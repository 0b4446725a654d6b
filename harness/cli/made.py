"""The last lines of a command that made a table."""

from __future__ import annotations

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.following import say_next
from harness.cli.run_codes import rehearsal_code
from harness.cli.screen import Screen, console
from harness.errors import Location
from harness.records import RehearsalResult


def closing(made: harness.RehearsedTable) -> ExitCode:
    """Say where the table is and what its rehearsal found; return the exit code."""
    screen, rehearsal = console(), made.rehearsal
    screen.say(f"Wrote {Location(made.path)}")
    screen.say_each(made.findings)
    if rehearsal.why:
        screen.say(f"{made.name}: not rehearsed: {rehearsal.why}")
    elif not rehearsal.bad:
        screen.say(f"{made.name}: passes on the design's netlist")
    say_what_follows(screen, made)
    return rehearsal_code([rehearsal])


def say_what_follows(screen: Screen, made: harness.RehearsedTable) -> None:
    """Name the next command for a table that was just written, unless it is to be mended first."""
    design = made.path.parent
    shuttle = design.parent / harness.SHUTTLE
    if made.rehearsal.result is RehearsalResult.NO_NETLIST:
        say_next(screen, shuttle, "netlist", design.name)
    elif made.rehearsal.result is RehearsalResult.PASSES and not made.rehearsal.bad:
        say_next(screen, shuttle, "grade", design.name)

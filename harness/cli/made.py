"""The last lines of a command that made a table."""

from __future__ import annotations

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.run_codes import rehearsal_code
from harness.cli.screen import console


def closing(made: harness.RehearsedTable) -> ExitCode:
    """Say where the table is and what its rehearsal found; return the exit code."""
    screen, rehearsal = console(), made.rehearsal
    screen.say(f"wrote {made.path}")
    for finding in made.findings:
        screen.say(str(finding))
    if rehearsal.why:
        screen.say(f"{made.name}: not rehearsed: {rehearsal.why}")
    elif not rehearsal.bad:
        screen.say(f"{made.name}: passes on the design's netlist")
    return rehearsal_code([rehearsal])

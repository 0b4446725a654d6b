"""The last lines of a command that made a table."""

from __future__ import annotations

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.screen import console
from harness.records import RehearsalResult


def closing(made: harness.MadeTable) -> ExitCode:
    """Say where the table is and what its rehearsal found; return the exit code."""
    screen, rehearsal = console(), made.rehearsed.rehearsal
    screen.say(f"wrote {made.path}")
    for finding in made.rehearsed.findings:
        screen.say(str(finding))
    if rehearsal.why:
        screen.say(f"{made.rehearsed.name}: not rehearsed: {rehearsal.why}")
    elif not rehearsal.bad:
        screen.say(f"{made.rehearsed.name}: passes on the design's netlist")
    if rehearsal.bad:
        return ExitCode.CHIP_FAILED
    unusable = rehearsal.result is RehearsalResult.NOT_REHEARSED
    return ExitCode.NOT_TESTED if unusable else ExitCode.ALL_PASS

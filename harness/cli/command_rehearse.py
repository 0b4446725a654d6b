"""``harness rehearse``: run tables on their own designs' netlists, before any silicon."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP, TABLES_HELP
from harness.cli.run_codes import rehearsal_code
from harness.cli.screen import complain, console
from harness.errors import many
from harness.records import RehearsalResult


def rehearse(
    tables: Annotated[list[str] | None, typer.Argument(help=TABLES_HELP)] = None,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """Run every table on its own design's netlist, before any silicon.

    Prints where a table fails there, where controller and chip would drive the same pin, what
    depends on the power-up state, and which inputs no row moves.

    Exit status: 0 every table that has a netlist passes, 1 a table fails or no board may run it,
    2 wrong usage or input, 3 a netlist cannot be used.
    """
    screen = console()
    done = harness.rehearse_tables(harness.load_shuttle(shuttle), tables or (), complain)
    for table in done:
        if table.rehearsal.why:
            screen.say(f"{table.name}: not rehearsed: {table.rehearsal.why}")
    for finding in dict.fromkeys(finding for table in done for finding in table.findings):
        screen.say(str(finding))  # a finding about a netlist once, not for each table
    rehearsals = [table.rehearsal for table in done]
    counts = {
        "pass": sum(one.result is RehearsalResult.PASSES for one in rehearsals),
        "fail": sum(one.result is RehearsalResult.FAILS for one in rehearsals),
        "refused for contention": sum(one.refused for one in rehearsals),
        "not rehearsed": sum(bool(one.why) for one in rehearsals),
    }
    parts = [f"{count} {what}" for what, count in counts.items() if count]
    screen.say(f"{many(len(rehearsals), 'table')}: {', '.join(parts)}")
    return rehearsal_code(rehearsals)

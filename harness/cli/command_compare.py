"""``harness compare``: print what changed between two runs, and write a page of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import OUT_HELP, STORE_HELP
from harness.cli.run_codes import night_code
from harness.cli.screen import console


def compare(
    before: Annotated[str, typer.Argument(help="The earlier run, which serves as the baseline.")],
    run: Annotated[
        str, typer.Argument(help="The run to compare with it, or `latest`.")
    ] = harness.LATEST,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
    json: Annotated[Path | None, typer.Option(help="Write every change to this file.")] = None,
) -> ExitCode:
    """Print what changed between two runs, and write a page of it.

    Exit status, as of a night: 0 nothing new, 1 a new failure or unstable table, 2 wrong usage or
    input, 3 something could not be tested that the earlier run tested.
    """
    difference = harness.compare_runs(before, run, store, out)
    screen = console()
    screen.say(difference.heading)
    screen.say_each(difference.lines)
    screen.say(f"Changes: {difference.page}")
    if json is not None:
        harness.write_changes(difference, json)
    return night_code(difference.changes, difference.record, harness.NightMargins())

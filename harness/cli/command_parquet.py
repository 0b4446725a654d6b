"""``harness parquet``: the results of many runs as files for data tools."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console
from harness.errors import many

FORMATS = ["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"]


def parquet(
    since: Annotated[
        datetime, typer.Option(formats=FORMATS, help="Only what began at this time (UTC) or later.")
    ] = datetime.min,
    until: Annotated[
        datetime, typer.Option(formats=FORMATS, help="Only what began before this time (UTC).")
    ] = datetime.max,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help="Folder for the files.")] = harness.RUNS / "parquet",
) -> ExitCode:
    """Write outcomes, causes, wrong pins and margins of all runs, or of a range of time."""
    written = harness.write_parquet(
        out, store, since.replace(tzinfo=UTC), until.replace(tzinfo=UTC)
    )
    screen = console()
    screen.say(f"{many(written.runs, 'run')} written to {out}")
    for path, rows in written.files.items():
        screen.say(f"  {path.name:<18} {many(rows, 'row')}")
    return ExitCode.ALL_PASS

"""``harness wave``: a table as waves, before anything runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP, TABLE_HELP
from harness.cli.screen import console


def wave(
    table: Annotated[str, typer.Argument(help=TABLE_HELP)],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="The file to write: .vcd or .svg. Default: both."),
    ] = None,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """Write a table as waves before anything runs: inputs as driven, outputs as expected."""
    if out is not None and out.suffix.lower() not in {".vcd", ".svg"}:
        raise typer.BadParameter("--out must end in .vcd or .svg")
    screen = console()
    for path, note in harness.write_waves(table, [out] if out else [], shuttle):
        screen.say(f"Wrote {path}. {note}".strip().removesuffix("."))
    return ExitCode.ALL_PASS

"""``harness bundle``: put one chip of a run into one file for a ticket."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console


def bundle(
    run: Annotated[str, typer.Argument(help="The run or intake, or `latest`.")],
    chip: Annotated[str, typer.Option(help="The chip's serial number.")],
    design: Annotated[str, typer.Option(help="Only this design.")] = "",
    out: Annotated[Path | None, typer.Option(help="The file to write; must end in .zip.")] = None,
    rack: Annotated[Path | None, typer.Option(help="The run's rack file.")] = None,
    shuttle: Annotated[Path | None, typer.Option(help="The run's shuttle.toml.")] = None,
    profile: Annotated[Path | None, typer.Option(help="The run's board profile.")] = None,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
) -> ExitCode:
    """Put a chip's report, evidence and inputs into one file that can be replayed.

    The run's files are searched for below the current folder, and must not have changed since.
    """
    if out is not None and out.suffix.lower() != ".zip":
        raise typer.BadParameter("--out must end in .zip")
    places = harness.Places(rack, shuttle, profile)
    written = harness.write_bundle(chip, design, run, out, places, store)
    screen, made = console(), written.made
    screen.say(made.ticket)
    screen.say_each(f"Names, paths or addresses were removed from {name}." for name in made.altered)
    screen.say(f"Bundle   {written.path} ({len(made.data):,} bytes)")
    screen.say(f"Text     {written.text}")
    screen.say(f"SHA-256  {made.sha256}")
    return ExitCode.ALL_PASS

"""``harness history``: write the histories of chips, designs and slots over all runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console


def history(
    chip: Annotated[
        list[str] | None, typer.Option(help="A chip's serial number; repeatable.")
    ] = None,
    design: Annotated[list[str] | None, typer.Option(help="A design's name; repeatable.")] = None,
    slot: Annotated[
        list[str] | None, typer.Option(help="RACK/SLOT by their names; repeatable.")
    ] = None,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help="Folder for the pages.")] = harness.RUNS / "history",
) -> ExitCode:
    """Write a page for each chip, design or slot; for all of them if none is named."""
    for text in slot or ():
        if "/" not in text:
            raise typer.BadParameter(f'--slot "{text}": give RACK/SLOT, as in "Demo rack/A1"')
    written = harness.history(chip or (), design or (), slot or (), store, out)
    screen = console()
    for path in (written.index,) if written.index is not None else written.pages:
        screen.say(f"History: {path}")
    return ExitCode.ALL_PASS

"""``harness generate``: make a table from a design's reference model."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.made import closing
from harness.cli.screen import console
from harness.errors import many, some

MAX_SHOWN = 8
"""Maximum number of states that are named."""


def generate(
    design: Annotated[Path, typer.Argument(help="Folder of a design with a model.py.")],
    seed: Annotated[int, typer.Option(help="The same seed gives the same table.")] = 0,
    kind: Annotated[
        harness.Stimulus, typer.Option(help="How the inputs are chosen.")
    ] = harness.Stimulus.RANDOM,
    cycles: Annotated[int, typer.Option(help="Maximum number of rows.")] = 1000,
    table: Annotated[str, typer.Option(help="Name of the table; default: the kind.")] = "",
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace a table that was not made from the model.")
    ] = False,
) -> ExitCode:
    """Run a design's model.py and make a table of what it expects.

    The model's code runs on this computer with your rights: read it first if it is not yours.
    Prints how many of the model's states the table reaches, and rehearses it on the design's
    netlist.

    Exit status: 0 the table passes its rehearsal or has none, 1 it fails, 2 wrong usage or input,
    3 the netlist cannot be used.
    """
    made = harness.generate_table(design, kind, seed, cycles, table, replace=replace)
    coverage, screen = made.coverage, console()
    if not coverage.reported:
        screen.say("the model reports no state")
    elif coverage.listed:
        reached = coverage.listed - len(coverage.missing)
        screen.say(f"reaches {reached:,} of {many(coverage.listed, 'state')}")
        if coverage.missing:
            screen.say(f"not reached: {some(coverage.missing, MAX_SHOWN)}")
    else:
        screen.say(f"reaches {many(coverage.visited, 'state')}; the model does not list its states")
    return closing(made)

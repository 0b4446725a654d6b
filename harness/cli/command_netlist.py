"""``harness netlist``: make a design's netlist from its Verilog."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.following import say_next
from harness.cli.options import SHUTTLE_HELP
from harness.cli.screen import console
from harness.cli.steps import shown_steps
from harness.errors import many


def netlist(
    design: Annotated[str, typer.Argument(help="A design's name, its folder, or its design.toml.")],
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """Synthesise a design's Verilog into the netlist file that its design.toml names.

    With a netlist, tables can be rehearsed before any silicon, and run on virtual boards. Needs
    Yosys: pip install 'harness[synthesis]'. Its first start on a computer takes a minute or two.

    Exit status: 0 written, 2 wrong usage or input, 3 synthesis failed.
    """
    screen = console()
    began = time.monotonic()
    with shown_steps(screen) as step:
        made = harness.make_netlist(design, shuttle, step)
    took = time.monotonic() - began
    size = f"{many(made.gates, 'gate')}, {many(made.flops, 'flop')}"
    screen.say(f"{made.path}: {size}, in {took:.1f} s")
    say_next(screen, made.shuttle, "rehearse", made.design)
    return ExitCode.ALL_PASS

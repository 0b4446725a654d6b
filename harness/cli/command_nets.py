"""``harness nets``: list the nets of a design's netlist."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP
from harness.cli.screen import console
from harness.errors import many


def nets(
    design: Annotated[str, typer.Argument(help="A design of the shuttle, or its folder.")],
    match: Annotated[str, typer.Option(help="Only nets with this text in their name.")] = "",
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """List the nets that a defect of a virtual chip can be put on, and their chip pins.

    `net` of a [[slot.defect]] takes these names; `pin` of a [[waiver]] takes the pins or the
    signals. Nets without a name in the Verilog are left out.
    """
    screen = console()
    listed = harness.list_nets(design, shuttle, match)
    rows = [(", ".join(net.names), net.driver, ", ".join(net.pins)) for net in listed]
    widths = [max(map(len, column)) for column in zip(*_HEAD, *rows, strict=True)]
    for name, driver, pins in [*_HEAD, *rows]:
        screen.say(f"{name:<{widths[0]}}  {driver:<{widths[1]}}  {pins}".rstrip())
    what = f' with "{match}"' if match else ""
    screen.say(f"{many(len(listed), 'net')}{what}")
    return ExitCode.ALL_PASS


_HEAD = [("net", "driven by", "chip pin")]

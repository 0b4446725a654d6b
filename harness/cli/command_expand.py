"""``harness expand``: make a table from a transaction list."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.made import closing


def expand(
    transactions: Annotated[
        Path, typer.Argument(metavar="DESIGN/LIST", help="Transaction list in a design's folder.")
    ],
    table: Annotated[str, typer.Option(help="Name of the table; default: that of the list.")] = "",
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace a table that was not made from this list.")
    ] = False,
) -> ExitCode:
    """Make a table from what goes over a serial interface: UART, SPI or I2C.

    Writes the table beside the list, lists it in design.toml, and rehearses it on the design's
    netlist.

    Exit status: 0 the table passes its rehearsal or has none, 1 it fails, 2 wrong usage or input,
    3 the netlist cannot be used.
    """
    return closing(harness.expand_transactions(transactions, table, replace=replace))

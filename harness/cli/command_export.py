"""``harness export``: write a table as test vectors for other tools."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP, TABLE_HELP
from harness.cli.screen import console
from harness.errors import many

_MAP = "Pin numbers of a signal in a JEDEC file: clk=1, d=5..2 (most significant first)."


def export(
    table: Annotated[str, typer.Argument(help=TABLE_HELP)],
    form: Annotated[harness.PatternFormat, typer.Option("--format", help="The format to write.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="The file to write.")],
    numbers: Annotated[list[str] | None, typer.Option("--map", help=_MAP)] = None,
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """Write a table as a JEDEC file (JESD3) or as STIL (IEEE 1450).

    The reset before the table becomes the first vectors. Lines that the format cannot express are
    refused, and nothing is written.

    Exit status: 0 written, 2 wrong usage, or a table that cannot be read or expressed.
    """
    written = harness.export_table(table, out, form, numbers or (), shuttle)
    screen = console()
    screen.say_each(written.pins)
    cycles = many(written.cycles, "cycle")
    screen.say(f"{out}: {many(written.rows, 'row')}, {cycles} with the reset")
    return ExitCode.ALL_PASS

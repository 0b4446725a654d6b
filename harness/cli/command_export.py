"""``harness export``: write a table as test vectors for other tools."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness import PatternFormat
from harness.cli.exit_code import ExitCode
from harness.cli.options import PIN_NUMBERS_HELP, SHUTTLE_HELP, TABLE_HELP, pin_numbers
from harness.cli.screen import console
from harness.errors import many


def export(
    table: Annotated[str, typer.Argument(help=TABLE_HELP)],
    form: Annotated[PatternFormat, typer.Option("--format", help="The format to write.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="The file to write.")],
    numbers: Annotated[str, typer.Option("--map", help=PIN_NUMBERS_HELP)] = "",
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,
) -> ExitCode:
    """Write a table as a JEDEC file (JESD3) or as STIL (IEEE 1450).

    The reset before the table becomes the first vectors. Lines that the format cannot express are
    refused, and nothing is written.

    Exit status: 0 written, 2 wrong usage, or a table that cannot be read or expressed.
    """
    written = harness.export_table(table, out, form, shuttle, pin_numbers(numbers))
    screen = console()
    for name, number in written.pins.items():
        screen.say(f"pin {number} = {name}")
    cycles = many(written.cycles, "cycle")
    screen.say(f"{out}: {many(written.rows, 'row')}, {cycles} with the reset")
    return ExitCode.ALL_PASS

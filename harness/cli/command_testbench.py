"""``harness testbench``: a table as a testbench for simulators."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import SHUTTLE_HELP, TABLE_HELP
from harness.cli.screen import console

OUT = Path("testbench")


def testbench(
    table: Annotated[str, typer.Argument(help=TABLE_HELP)],
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the files.")] = OUT,  # noqa: PT028 - a command, not a test
    shuttle: Annotated[Path, typer.Option(help=SHUTTLE_HELP)] = harness.SHUTTLE,  # noqa: PT028
) -> ExitCode:
    """Write a table as a self-checking testbench for the design's Verilog source.

    Prints the commands that run it in Icarus Verilog and in Verilator; they end with exit status 0
    if every output is as the table expects, and with 1 otherwise.
    """
    written = harness.write_testbench(table, out, shuttle)
    screen = console()
    screen.say_each(f"Wrote {path}" for path in written.files)
    screen.say(f"\nRun it in that folder:\n\n    {shlex.join(['cd', str(out)])}")
    for simulator, commands in written.commands.items():
        screen.say(f"\nWith {simulator}:\n")
        screen.say_each(f"    {command}" for command in commands)
    return ExitCode.ALL_PASS

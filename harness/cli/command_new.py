"""``harness new``: start a design from its Verilog, a shuttle file or a board profile."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.screen import Screen, console
from harness.cli.steps import shown_steps
from harness.errors import many


def new(
    design: Annotated[str, typer.Argument(help="Name of the new design: its folder.")] = "",
    verilog: Annotated[
        list[Path] | None, typer.Option(help="A Verilog file of the design; several are allowed.")
    ] = None,
    top: Annotated[str, typer.Option(help="Top module; default: the design's name.")] = "",
    wrapper: Annotated[
        Path | None, typer.Option(help="Write the proposed wrapper into this file.")
    ] = None,
    shuttle: Annotated[bool, typer.Option("--shuttle", help="Start shuttle.toml.")] = False,
    board: Annotated[bool, typer.Option("--board", help="Start a board profile.")] = False,
    folder: Annotated[Path, typer.Option("--in", help="Folder of shuttle.toml.")] = Path(),
) -> ExitCode:
    """Start the files that an author writes; existing files are not replaced.

    With a DESIGN, reads the ports of its Verilog, proposes chip pins for them, and writes
    design.toml and the head of a table. Ports that do not fit the chip are listed with a wrapper
    that ties them. Reading Verilog needs Yosys: pip install 'harness[synthesis]'.

    Exit status: 0 written, 2 wrong usage or input, or ports that do not fit, 3 the Verilog cannot
    be read.
    """
    screen = console()
    if shuttle + board + bool(design) != 1:
        raise typer.BadParameter("give one of: a DESIGN with --verilog, --shuttle, or --board")
    if shuttle:
        path = harness.new_shuttle(folder / harness.SHUTTLE)
        return _started(screen, path, "harness new DESIGN --verilog FILE")
    if board:
        path = harness.new_board(folder / harness.BOARD, folder)
        return _started(screen, path, _command("check", folder / harness.SHUTTLE, path))
    if not verilog:
        raise typer.BadParameter("a new design needs --verilog FILE")
    with shown_steps(screen) as step:
        made = harness.new_design(design, verilog, top, folder, step)
    _print_ports(screen, made)
    if not made.written:
        return _print_wrapper(screen, made, wrapper, design, verilog)
    _print_written(screen, made, design, folder)
    return ExitCode.ALL_PASS


def _started(screen: Screen, path: Path, following: str) -> ExitCode:
    screen.say(f"Wrote {path}. Edit what is marked in it.\nNext: {following}")
    return ExitCode.ALL_PASS


def _print_ports(screen: Screen, made: harness.NewDesign) -> None:
    source, role = made.proposal.source, made.proposal.role
    screen.say(f"module {source.top}: {many(len(source.ports), 'port')}")
    for placed in made.proposal.ports:
        port = placed.port
        pins = ", ".join(placed.ranges) or "NO PINS LEFT"
        renamed = f"; called {placed.name} here" if placed.name != port.name else ""
        remark = role.get(port.name, "")
        left = f"  {port.name:<16} {port.direction:<6} {many(port.width, 'bit'):>8}  "
        screen.say(f"{left}{pins:<16} {remark}{renamed}".rstrip())


def _print_written(screen: Screen, made: harness.NewDesign, design: str, folder: Path) -> None:
    for path in made.copied:
        screen.say(f"Copied {path.name} into {design}/: edit it there from now on.")
    screen.say(f"Wrote {' and '.join(f'{design}/{path.name}' for path in made.written)}.")
    if made.listed:
        screen.say(f'Added "{design}" to designs in {folder / harness.SHUTTLE}.')
    table = f"{design}/{made.written[-1].name}"
    screen.say(f"Edit what is marked in design.toml, and write expected values into {table}.")
    screen.say(f"Next: {_command('netlist', folder / design)}")


def _command(*words: object) -> str:
    """Write a command for a shell: a file's name is one word of it."""
    return shlex.join(("harness", *map(str, words)))


def _print_wrapper(
    screen: Screen, made: harness.NewDesign, path: Path | None, design: str, verilog: list[Path]
) -> ExitCode:
    name = made.proposal.wrapper_name
    screen.say("\nThese ports do not fit the chip, so nothing was written. A wrapper that fits:\n")
    screen.say(made.wrapper)
    file = path or Path(f"{name}.v")
    files = [word for one in (*verilog, file) for word in ("--verilog", one)]
    again = _command("new", design, *files, "--top", name)
    first = f"edit {file}" if path else f"add --wrapper {file} to this command, edit the file"
    if path:
        harness.new_wrapper(path, made)
        screen.say(f"Wrote {path}.")
    screen.say(f"Next: {first}, then: {again}")
    return ExitCode.BAD_INPUT

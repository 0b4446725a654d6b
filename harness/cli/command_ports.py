"""``harness ports``: list serial ports, for writing a rack file."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.screen import Screen, console, shown


def ports(
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            help="For each port, say whether you may use it, what holds it, what answers, and what "
            "to do. Opens free USB ports: their boards' programs restart.",
        ),
    ] = False,
) -> ExitCode:
    """List this computer's serial ports with their USB ids and serial numbers."""
    screen = console()
    listed = harness.serial_ports()
    if not listed:
        screen.say("No serial port was found; is the board plugged in, with a data cable?")
        return ExitCode.ALL_PASS
    _list(screen, listed)
    for port in listed if check else ():
        _print_check(screen, harness.examine_port(port))
    return ExitCode.ALL_PASS


def _list(screen: Screen, ports: tuple[harness.SerialPort, ...]) -> None:
    headings = ("port", "board serial", "vendor:product", "description")
    table = Table(*headings, box=None, pad_edge=False)
    for port in ports:
        ids = f"{port.vendor}:{port.product}" if port.vendor else "–"
        cells = (port.device, port.serial_number or "–", ids, port.interface or port.description)
        table.add_row(*map(shown, cells))
    screen.print(table)
    for port in ports:
        if harness.needs_place(port, ports):
            screen.say(f"{port.device} has no serial number of its own; it is also {port.place}")


def _print_check(screen: Screen, checked: harness.PortCheck) -> None:
    screen.say(f"\n{checked.port.device}")
    for heading, text in (
        ("may be used", checked.access),
        ("held by", checked.holder),
        ("modem manager", checked.manager),
        ("answers", checked.answer),
        ("to do", "; ".join(checked.advice) or "nothing"),
    ):
        screen.say(f"  {heading:14} {text}")

"""``harness ports``: list serial ports, so that a person can fill a rack file."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

import harness
from harness import PortCheck, SerialPort
from harness.cli.exit_code import ExitCode
from harness.cli.screen import Screen, console, shown


def ports(
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            help="Say of each port who may use it, who holds it, who answers there, and what to "
            "do. Free USB ports are spoken to: their boards' programs start again.",
        ),
    ] = False,
) -> ExitCode:
    """List this computer's serial ports with their USB ids and serial numbers."""
    screen = console()
    found = harness.serial_ports()
    if not found:
        screen.say("No serial port was found; is the board plugged in, and by a data cable?")
        return ExitCode.ALL_PASS
    _list(screen, found)
    for port in found if check else ():
        _tell(screen, harness.examine_port(port))
    return ExitCode.ALL_PASS


def _list(screen: Screen, found: tuple[SerialPort, ...]) -> None:
    table = Table(box=None, pad_edge=False)
    for heading in ("port", "board serial", "vendor:product", "description"):
        table.add_column(heading)
    for port in found:
        ids = f"{port.vendor}:{port.product}" if port.vendor else "–"
        cells = (port.device, port.serial_number or "–", ids, port.interface or port.description)
        table.add_row(*map(shown, cells))
    screen.print(table)
    for port in found:
        if harness.needs_place(port, found):
            screen.say(f"{port.device} has no serial number of its own; it is also {port.place}")


def _tell(screen: Screen, found: PortCheck) -> None:
    screen.say(f"\n{found.port.device}")
    for heading, text in (
        ("may be used", found.access),
        ("held by", found.holder),
        ("modem manager", found.manager),
        ("answers", found.answer),
        ("to do", "; ".join(found.advice) or "nothing"),
    ):
        screen.say(f"  {heading:14} {text}")

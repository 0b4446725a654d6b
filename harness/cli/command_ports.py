"""``harness ports``: list serial ports, so that a person can fill a rack file."""

from __future__ import annotations

from rich.table import Table

from harness.cli.exit_code import ExitCode
from harness.cli.screen import console, shown
from harness.rack import serial_ports


def ports() -> ExitCode:
    """List this computer's serial ports with their USB ids and serial numbers."""
    screen = console()
    found = serial_ports()
    if not found:
        screen.say("No serial port was found; is the board plugged in, and by a data cable?")
        return ExitCode.ALL_PASS
    table = Table(box=None, pad_edge=False)
    for heading in ("port", "board serial", "vendor:product", "description"):
        table.add_column(heading)
    for port in found:
        ids = f"{port.vendor}:{port.product}" if port.vendor else "–"
        cells = (port.device, port.serial_number or "–", ids, port.description)
        table.add_row(*map(shown, cells))
    screen.print(table)
    return ExitCode.ALL_PASS

"""Serial ports of this computer, and the one behind which a board with a serial number is.

One rule: ports are only listed here, never opened.
"""

from __future__ import annotations

from dataclasses import dataclass

from serial.tools import list_ports

from harness.errors import PortUnavailable


@dataclass(frozen=True)
class SerialPort:
    """A serial port: its device, what it calls itself, and its USB identity (empty if none)."""

    device: str
    description: str
    vendor: str
    product: str
    serial_number: str


def serial_ports() -> tuple[SerialPort, ...]:
    """List the serial ports of this computer, sorted by device."""
    return tuple(
        sorted(
            (
                SerialPort(
                    device=str(port.device),
                    description=str(port.description or ""),
                    vendor=_hex(port.vid),
                    product=_hex(port.pid),
                    serial_number=str(port.serial_number or ""),
                )
                for port in list_ports.comports()
            ),
            key=lambda port: port.device,
        )
    )


def find_port(board: str) -> str:
    """Return the port of the board with this USB serial number; raises PortUnavailable."""
    ports = serial_ports()
    for port in ports:
        if port.serial_number.casefold() == board.casefold():
            return port.device
    seen = ", ".join(port.serial_number for port in ports if port.serial_number) or "none"
    message = (
        f"no serial port has the USB serial number {board} (seen: {seen}); plug the board in, "
        "or write its port in the rack file; `harness ports` lists what is there"
    )
    raise PortUnavailable(message)


def _hex(number: int | None) -> str:
    return "" if number is None else f"{number:04x}"

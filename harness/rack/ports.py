"""Serial ports of this computer, and the port of a board with a given serial number.

One rule: ports are only listed here, never opened.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

from serial.tools import list_ports

from harness.errors import PortUnavailable
from harness.link import is_remote
from harness.rack.model import Slot

BY_PATH = Path("/dev/serial/by-path")
"""Links on Linux that name ports by the socket they are plugged into (systemd's udev rules)."""


@dataclass(frozen=True)
class SerialPort:
    """A serial port: its device, its description, and its USB identity (empty if none).

    ``interface`` is the name of this port on a device with several, ``place`` a name that stays
    with socket and interface and can be opened like the device; both are empty if there is none.
    """

    device: str
    description: str
    vendor: str
    product: str
    serial_number: str
    interface: str = ""
    place: str = ""

    @property
    def lasting(self) -> str:
        """The name for a rack file, which stays the same when other ports come and go."""
        return self.place or self.device


def serial_ports() -> tuple[SerialPort, ...]:
    """List the serial ports of this computer, sorted by device."""
    places = _places(BY_PATH)
    return tuple(
        sorted(
            (
                SerialPort(
                    device=str(port.device),
                    description=str(port.description or ""),
                    vendor=_hex(port.vid),
                    product=_hex(port.pid),
                    serial_number=str(port.serial_number or ""),
                    interface=str(port.interface or ""),
                    place=places.get(os.path.realpath(port.device), ""),
                )
                for port in list_ports.comports()
            ),
            key=lambda port: port.device,
        )
    )


def find_port(board: str) -> str:
    """Return the port of the board with this USB serial number.

    Raises PortUnavailable if there is none, or more than one.
    """
    ports = serial_ports()
    matches = [port for port in ports if port.serial_number.casefold() == board.casefold()]
    if len(matches) == 1:
        return matches[0].device
    if matches:
        names = " and ".join(_named(port) for port in matches)
        raise PortUnavailable(
            f"{len(matches)} serial ports have the USB serial number {board}: {names}; write the "
            "one with the interpreter's prompt as port in the rack file; `harness ports --check` "
            "asks them"
        )
    seen = ", ".join(port.serial_number for port in ports if port.serial_number) or "none"
    raise PortUnavailable(
        f"no serial port has the USB serial number {board} (seen: {seen}); plug the board in, "
        "or write its port in the rack file; `harness ports` lists what is there"
    )


def at_its_port(slot: Slot) -> Slot:
    """Return the slot with the port where its board is now; unchanged if no port has its board."""
    if not slot.board or not slot.port or slot.virtual or is_remote(slot.port):
        return slot
    try:
        return replace(slot, port=find_port(slot.board))
    except PortUnavailable:
        return slot


def needs_place(port: SerialPort, ports: tuple[SerialPort, ...]) -> bool:
    """Whether only its place, and no USB serial number, tells this port from the others."""
    alike = [other for other in ports if other.serial_number == port.serial_number]
    return bool(port.place) and (not port.serial_number or len(alike) > 1)


def _named(port: SerialPort) -> str:
    """A port's lasting name, and its name on the device."""
    return f"{port.lasting} ({port.interface})" if port.interface else port.lasting


def _places(folder: Path) -> dict[str, str]:
    """Map each device to its name by place, the shortest if udev gives several."""
    try:
        names = sorted(map(str, folder.iterdir()), key=lambda name: (-len(name), name))
    except OSError:
        return {}
    return {os.path.realpath(name): name for name in names}


def _hex(number: int | None) -> str:
    return "" if number is None else f"{number:04x}"

"""Ports: a way for bytes to and from a board. The only module that opens one by ``serial``.

Every fault of the serial library is turned into one of our link errors here.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Protocol

import serial

from harness.errors import BoardLost, LinkError, PortUnavailable

try:
    import grp
except ImportError:  # not on Windows
    grp = None  # type: ignore[assignment]

WRITE_SECONDS = 10.0


class Port(Protocol):
    """What the rest of the link needs of a port."""

    def read(self, timeout: float) -> bytes:
        """Bytes that have arrived; wait for the first at most ``timeout`` s (empty: none came).

        Raises BoardLost when the port has gone away.
        """

    def write(self, data: bytes) -> None:
        """Send all bytes. Raises BoardLost when the port has gone away or takes nothing more."""

    def close(self) -> None:
        """Let go of the port; may be called twice."""


class SerialPort:
    """A port by pyserial: a device name, or an ``rfc2217://`` or ``socket://`` URL."""

    def __init__(self, url: str, baud: int = 115_200) -> None:
        self.url = url
        try:
            self._serial = serial.serial_for_url(
                url, baudrate=baud, timeout=0, write_timeout=WRITE_SECONDS, do_not_open=True
            )
            if hasattr(self._serial, "exclusive") and "://" not in url:
                self._serial.exclusive = True
            self._serial.open()
        except (serial.SerialException, OSError, ValueError) as error:
            raise _unavailable(url, error) from error

    def read(self, timeout: float) -> bytes:
        """Read what is there, waiting for the first byte at most ``timeout`` seconds."""
        try:
            self._serial.timeout = timeout
            first = self._serial.read(1)
            if not first:
                return b""
            self._serial.timeout = 0
            return bytes(first + self._serial.read(65_536))
        except (serial.SerialException, OSError, TypeError) as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        """Write all bytes."""
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise BoardLost(
                f"{self.url}: the board took no bytes for {WRITE_SECONDS:.0f} s; "
                "unplug it, plug it in again and run again"
            ) from error
        except (serial.SerialException, OSError) as error:
            raise self._lost(error) from error

    def close(self) -> None:
        """Close the port."""
        try:
            self._serial.close()
        except (serial.SerialException, OSError):
            return

    def _lost(self, error: Exception) -> LinkError:
        return BoardLost(
            f"{self.url}: the board went away ({error}); check the cable and plug it in again"
        )


def _unavailable(url: str, error: Exception) -> PortUnavailable:
    code = getattr(error, "errno", None)
    path = Path(url)
    if "://" not in url and os.name == "posix":
        if not path.exists():
            return PortUnavailable(
                f"{url}: there is no such port; is the board plugged in? "
                "'harness ports' lists the ports of this computer"
            )
        if code == errno.EACCES or not os.access(path, os.R_OK | os.W_OK):
            return PortUnavailable(
                f"{url}: you may not use this port; it belongs to group "
                f"'{_group(path)}': ask to be added to it, then log in again"
            )
    if code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
        return PortUnavailable(
            f"{url}: the port is in use by another program; close that program and run again"
        )
    hint = "check the name, and on Windows that the board's serial driver is installed"
    return PortUnavailable(f"{url}: the port cannot be opened ({error}); {hint}")


def _group(path: Path) -> str:
    number = path.stat().st_gid
    if grp is None:
        return str(number)
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)

"""Ports, which carry bytes to and from a board. Only this module opens one by ``serial``.

It turns every fault of the serial library into one of our link errors.
"""

from __future__ import annotations

import errno
import os
import re
import select
import socket
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import serial

from harness.door import is_there
from harness.errors import BoardLost, BoardSilent, LinkError, PortUnavailable
from harness.link.address import RFC2217, is_remote, shown_address

try:
    import grp
except ImportError:  # not on Windows
    grp = None  # type: ignore[assignment]

WRITE_SECONDS = 10.0
SLICE_SECONDS = 0.05
"""One wait on an RFC 2217 port: its timeout is never changed while it is open."""
MAX_EARLY = 1_000_000
"""Bytes kept while writing: far more than all answers to what is in flight; a flood waits."""
_OSRELEASE = Path("/proc/sys/kernel/osrelease")
_UNPLUGGED = {errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF, errno.EPIPE, errno.ECONNRESET}
"""Error numbers of a device that is gone."""
_BUSY = (errno.EBUSY, errno.EAGAIN)
_REFUSED = (ConnectionRefusedError, ConnectionResetError)


class Port(Protocol):
    """The interface of a port."""

    def read(self, timeout: float) -> bytes:
        """Return the bytes that have arrived; wait at most ``timeout`` seconds for the first.

        Raises BoardLost when the port is gone.
        """

    def write(self, data: bytes) -> None:
        """Send all bytes. Raises BoardLost or, when the port accepts no more, BoardSilent."""

    def close(self) -> None:
        """Close the port; may be called twice."""


@dataclass(frozen=True)
class Lines:
    """Levels of a port's control lines from opening on; None leaves the system's level.

    Some boards are reset, or held in reset, by one of them.
    """

    dtr: bool | None = None
    rts: bool | None = None


class SerialPort:
    """A port by pyserial: a device name, or an ``rfc2217://`` or ``socket://`` URL.

    ``device`` names the other end in messages. Raises PortUnavailable if the port cannot be
    opened.
    """

    def __init__(
        self, url: str, baud: int = 115_200, device: str = "board", lines: Lines | None = None
    ) -> None:
        self.url = shown_address(url)
        self._device = device
        self._sliced = url.startswith(RFC2217)
        self._selects = os.name == "posix" and not self._sliced
        self._early = b""
        try:
            self._serial = serial.serial_for_url(url, baudrate=baud, do_not_open=True)
            self._serial.timeout = SLICE_SECONDS if self._sliced else 0
            if not self._sliced:  # pyserial's RFC 2217 client refuses one; its own is 5 s
                self._serial.write_timeout = 0 if self._selects else WRITE_SECONDS
            if hasattr(self._serial, "exclusive") and not is_remote(url):
                self._serial.exclusive = True
            for name, level in vars(lines or Lines()).items():
                if level is not None:  # before opening: afterwards would be too late
                    setattr(self._serial, name, level)
            self._serial.open()
        except (serial.SerialException, OSError, ValueError, TypeError) as error:
            raise _unavailable(url, error, device) from error

    def read(self, timeout: float) -> bytes:
        """Read all bytes there are; wait at most ``timeout`` seconds for the first."""
        try:
            return self._read_slices(timeout) if self._sliced else self._read_timed(timeout)
        except (serial.SerialException, OSError, TypeError) as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        """Write all bytes, and keep those that arrive for ``read``.

        A board that waits until its answers are read would take no bytes of a host that waits too.
        """
        try:
            if self._selects:
                self._write_and_read(data)
            else:  # the driver, or pyserial's thread, reads in between
                self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise self._stuck(WRITE_SECONDS) from error
        except (serial.SerialException, OSError) as error:
            if isinstance(error.__context__, TimeoutError):
                raise self._stuck(5.0) from error
            raise self._lost(error) from error

    def close(self) -> None:
        """Close the port."""
        left_open = vars(self._serial).get("_socket")
        with suppress(serial.SerialException, OSError):
            self._serial.close()
        if left_open is not None:  # pyserial leaves it open if the other end closed first
            left_open.close()

    def _write_and_read(self, data: bytes) -> None:
        end = time.monotonic() + WRITE_SECONDS
        while data:
            left = max(0.0, end - time.monotonic())
            hungry = [self._serial] if len(self._early) < MAX_EARLY else []
            readable, writable, _ = select.select(hungry, [self._serial], [], left)
            if writable:
                data = data[self._serial.write(data) :]
                end = time.monotonic() + WRITE_SECONDS
            elif not left:
                raise self._stuck(WRITE_SECONDS)
            if readable and data:
                self._early += self._read_now(0)

    def _read_timed(self, timeout: float) -> bytes:
        early, self._early = self._early, b""
        return early or self._read_now(timeout)

    def _read_now(self, timeout: float) -> bytes:
        self._serial.timeout = timeout
        first = self._serial.read(1)
        if not first:
            return b""
        self._serial.timeout = 0
        return bytes(first + self._serial.read(65_536))

    def _read_slices(self, timeout: float) -> bytes:
        """Read with an unchanged timeout: the client renegotiates all settings on a change."""
        end = time.monotonic() + timeout
        while not self._serial.in_waiting:
            first = self._serial.read(1) if timeout > 0 else b""
            if first:
                return bytes(first + self._serial.read(self._serial.in_waiting))
            if time.monotonic() >= end:
                return b""
        return bytes(self._serial.read(self._serial.in_waiting))

    def _stuck(self, seconds: float) -> BoardSilent:
        return BoardSilent(
            f"the {self._device} accepted no bytes for {seconds:.0f} s; "
            "unplug it, plug it in again and run again",
            self.url,
        )

    def _lost(self, error: Exception) -> LinkError:
        what, advice = self._device, "check the cable and plug it in again"
        if is_remote(self.url):
            what = f"connection to the {self._device}"
            advice = "check the network, and the program that serves the port on that host"
        return BoardLost(f"the {what} went away{_why(error)}; {advice}", self.url)


def _why(error: Exception) -> str:
    """The system's error text in brackets, unless it only says that the other end is gone."""
    code = getattr(error, "errno", None)
    match = re.search(r"\[Errno (\d+)\]", str(error))
    number = code if isinstance(code, int) else int(match[1]) if match else errno.EIO
    return "" if number in _UNPLUGGED else f" ({os.strerror(number).lower()})"


def _unavailable(url: str, error: Exception, device: str = "board") -> PortUnavailable:
    if is_remote(url):
        return PortUnavailable(_remote_trouble(error), shown_address(url))
    code = getattr(error, "errno", None)
    path = Path(url)
    text = str(error)
    if "FileNotFoundError(2," in text or (os.name == "posix" and not is_there(path)):
        return PortUnavailable(
            f"there is no such port; is the {device} plugged in? "
            f"'harness ports' lists the ports of this computer{_wsl_hint()}",
            url,
        )
    if os.name == "posix" and (code == errno.EACCES or not os.access(path, os.R_OK | os.W_OK)):
        return PortUnavailable(
            "you may not use this port; it belongs to group "
            f"'{port_group(path)}': ask to be added to it, then log in again",
            url,
        )
    # pyserial quotes Windows, which raises PermissionError(13, …) for a port in use
    if code in _BUSY or "exclusively lock" in text or "PermissionError(13," in text:
        return PortUnavailable(
            "the port is in use by another program; close that program and run again", url
        )
    hint = f"check the name, and on Windows that the {device}'s serial driver is installed"
    return PortUnavailable(f"the port cannot be opened ({error}); {hint}", url)


def _wsl_hint() -> str:
    """A hint for WSL, where a USB device that went away does not come back by itself."""
    try:
        release = _OSRELEASE.read_text(encoding="utf-8")
    except OSError:
        return ""
    if "microsoft" not in release.casefold():
        return ""
    return (
        "; under WSL, attach a USB device again after it was unplugged or reset "
        "(on Windows: usbipd attach --wsl --busid …, with --auto-attach to repeat by itself)"
    )


def _remote_trouble(error: Exception) -> str:
    """Explain why a port of another host cannot be opened, and what to do."""
    cause = error.__context__ if error.__context__ is not None else error
    if isinstance(cause, socket.gaierror):
        return "host not found; check the host name in the port's address"
    if isinstance(cause, _REFUSED):
        return (
            "connection refused; start the program that serves the port on that host, "
            "and check the number after the colon"
        )
    if isinstance(cause, TimeoutError):
        return "the host does not answer; check that it is on, then the network and its firewall"
    if "does not seem to support" in str(error) or "does not accept" in str(error):
        return (
            "the server there does not speak RFC 2217; use socket:// for a server of plain bytes, "
            "or check the address"
        )
    return (
        f"the port cannot be opened ({shown_address(str(error))}); write rfc2217://host:number or "
        "socket://host:number"
    )


def port_group(path: Path) -> str:
    """The group that owns a port, by name or else by number; "?" if unknown."""
    try:
        number = path.stat().st_gid
    except OSError:
        return "?"
    if grp is None:
        return str(number)
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)

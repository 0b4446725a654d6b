"""Starts the agent on a board: takes over the serial port, serves, gives it back.

The upload puts a ``Pins`` class into the same namespace; the host then calls ``begin``.
"""

from __future__ import annotations

import select
import sys
from typing import Any

from .cpython import ticks_diff, ticks_ms
from .engine import Engine
from .faces import PinsFace
from .protocol import MAX_READ
from .server import Server

BUSY_MS = 200


class Port:
    """The board's serial port: its standard input and output, without any translation."""

    def __init__(self) -> None:
        self.chunk = memoryview(bytearray(MAX_READ))
        self.source: Any = getattr(sys.stdin.buffer, "raw", sys.stdin.buffer)
        self.sink: Any = getattr(sys.stdout.buffer, "raw", sys.stdout.buffer)
        self.poll = select.poll()
        self.poll.register(sys.stdin, select.POLLIN)
        self.since = ticks_ms()

    def read(self, wanted: int) -> int:
        """Wait for bytes; they are in ``chunk``. Raises EOFError when the port is gone."""
        count: int = self.source.readinto(self.chunk[:wanted])
        if not count:
            raise EOFError
        return count

    def ready(self) -> bool:
        """Whether bytes are waiting."""
        return bool(self.poll.poll(0))

    def write(self, data: bytes) -> None:
        """Send bytes to the host, all of them."""
        view = memoryview(data)
        while view:
            sent = self.sink.write(view)
            view = view[sent or 0 :]

    def begin(self) -> None:
        """Note that a command begins: count from here."""
        self.since = ticks_ms()

    def overdue(self) -> bool:
        """Whether it is time to tell the host that work goes on."""
        now = ticks_ms()
        if ticks_diff(now, self.since) < BUSY_MS:
            return False
        self.since = now
        return True


def quiet(on: bool) -> None:
    """Make Ctrl-C an ordinary byte, or an interrupt again."""
    try:
        import termios
    except ImportError:
        import micropython

        micropython.kbd_intr(-1 if on else 3)
    else:
        if on:
            termios.setraw(0)  # type: ignore[attr-defined]  # MicroPython's own


def begin(pins: PinsFace, session: int) -> None:
    """Serve one host until it says goodbye."""
    quiet(True)
    try:
        Server(session, Engine(pins, pins.rows), Port()).serve()
    except EOFError:
        pass
    finally:
        pins.release()
        quiet(False)

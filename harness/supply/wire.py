"""Lines to and from an instrument on a port.

One rule: one line out, at most one line back, each with a line feed at its end; nothing here knows
what the lines mean. Every error names the port.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from harness.errors import LinkError, SupplyTrouble
from harness.link import Port

REPLY_SECONDS = 3.0
MAX_REPLY_BYTES = 4096
MAX_OLD_PIECES = 64


class Wire:
    """Lines over one port. ``where`` is its name in messages."""

    def __init__(self, opener: Callable[[], Port], where: str) -> None:
        self.where = where
        with _supply_trouble():
            self._port = opener()

    def send(self, line: str) -> None:
        """Send a command that has no reply."""
        with _supply_trouble():
            self._port.write(line.encode("ascii") + b"\n")

    def ask(self, line: str) -> str:
        """Send a query and return its reply without the line's end."""
        self._drop_old()
        self.send(line)
        return self._reply(line)

    def close(self) -> None:
        """Close the port."""
        self._port.close()

    def _drop_old(self) -> None:
        """Drop unrequested data, so that it is not mistaken for a reply."""
        for _ in range(MAX_OLD_PIECES):
            if not self._read(0.0):
                return
        raise SupplyTrouble(
            f"{self.where}: the device sends data unasked, which no bench supply does; "
            "check that this is the supply's port"
        )

    def _reply(self, line: str) -> str:
        data = bytearray()
        end = time.monotonic() + REPLY_SECONDS
        while b"\n" not in data:
            left = end - time.monotonic()
            if left <= 0:
                raise SupplyTrouble(
                    f'{self.where}: the bench supply did not answer "{line}" within '
                    f"{REPLY_SECONDS:g} s; check that it is on, its cable and speed (baud), and "
                    "that remote control over this port is enabled"
                )
            data += self._read(left)
            if len(data) > MAX_REPLY_BYTES:
                raise SupplyTrouble(
                    f'{self.where}: the answer to "{line}" does not end; check the speed (baud), '
                    "and that this is the supply's port"
                )
        return bytes(data).split(b"\n", 1)[0].rstrip(b"\r").decode("ascii", "backslashreplace")

    def _read(self, timeout: float) -> bytes:
        with _supply_trouble():
            return self._port.read(timeout)


@contextmanager
def _supply_trouble() -> Iterator[None]:
    """Raise errors of the link as SupplyTrouble."""
    try:
        yield
    except LinkError as error:
        raise SupplyTrouble(str(error)) from error

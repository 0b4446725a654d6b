"""Instruments for the tests, each behind the small face of a port."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.errors import BoardLost
from harness.supply import BenchSupply, Limits, SupplySpec
from harness.virtual.scpi_device import ScpiSupply

LIMITS = Limits(2.7, 3.6, 0.15, Path("board.toml"))
SPEC = SupplySpec("/dev/ttyS9", 3.3, LIMITS, settle_s=0.05)
Answer = Callable[[str], str | None]


class LinePort:
    """A port on which something answers each line at once; ``said`` is what was sent."""

    def __init__(self, answer: Answer) -> None:
        self.said: list[str] = []
        self.answer = answer
        self.cut = False
        self._waiting = b""

    def read(self, timeout: float) -> bytes:
        del timeout
        self._alive()
        data, self._waiting = self._waiting, b""
        return data

    def write(self, data: bytes) -> None:
        self._alive()
        line = data.decode().removesuffix("\n")
        self.said.append(line)
        reply = self.answer(line)
        if reply is not None:
            self._waiting += reply.encode() + b"\r\n"

    def close(self) -> None:
        pass

    def _alive(self) -> None:
        if self.cut:
            raise BoardLost("/dev/ttyS9: the bench supply went away (gone); plug it in again")


def instrument(heard: list[float] | None = None, volts: float = 3.3) -> ScpiSupply:
    """The virtual instrument; ``heard`` gets the voltages at its terminals."""
    return ScpiSupply(volts, heard.append if heard is not None else lambda _: None)


def on(port: LinePort) -> BenchSupply:
    return BenchSupply(SPEC, lambda: port, "/dev/ttyS9")

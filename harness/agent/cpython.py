"""The parts of MicroPython that the agent uses, for running it under CPython.

The upload leaves this module out, because MicroPython has the same names. Here ``viper`` does
nothing, and ``ptr8`` and ``ptr32`` view a buffer.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from .faces import BusFace

F = TypeVar("F", bound=Callable[..., Any])


class micropython:  # noqa: N801  the name of the module it replaces
    """The part of the ``micropython`` module that the agent's loops use."""

    @staticmethod
    def viper(function: F) -> F:
        """Return the function unchanged."""
        return function

    native = asm_thumb = viper


class Place(int):
    """A byte of a buffer: a number that can be added to, like an address on a board."""

    view: memoryview

    def __add__(self, count: int) -> Place:
        return place(self.view, int(self) + count)


def place(view: memoryview, at: int) -> Place:
    """Byte ``at`` of a buffer."""
    byte = Place(at)
    byte.view = view
    return byte


class Window:
    """Registers from an address on: what a loop sees through an address on a board."""

    def __init__(self, bus: BusFace, address: int) -> None:
        self.bus = bus
        self.address = address

    def __getitem__(self, k: int) -> int:
        return self.bus.read(self.address + 4 * k)

    def __setitem__(self, k: int, word: int) -> None:
        self.bus.write(self.address + 4 * k, word)


def addressof(buffer: object) -> int:
    """The first byte of a buffer."""
    return place(memoryview(buffer).cast("B"), 0)  # type: ignore[arg-type]  # py3.11 has no Buffer


def ptr8(buffer: Any) -> Any:
    """View a buffer, or the rest of one from a place on, as bytes."""
    if isinstance(buffer, Place):
        return buffer.view[buffer:]
    return memoryview(buffer).cast("B")


def ptr32(buffer: Any) -> Any:
    """View a buffer, the rest of one from a place on, or registers as unsigned 32-bit words."""
    if isinstance(buffer, Window):
        return buffer
    octets = ptr8(buffer)
    return octets[: len(octets) & ~3].cast("I")


def ticks_ms() -> int:
    """Milliseconds since an arbitrary moment."""
    return time.monotonic_ns() // 1_000_000


def ticks_us() -> int:
    """Microseconds since an arbitrary moment."""
    return time.monotonic_ns() // 1_000


def ticks_diff(later: int, earlier: int) -> int:
    """Time between two readings."""
    return later - earlier


def ticks_add(moment: int, delta: int) -> int:
    """The moment ``delta`` after another."""
    return moment + delta


def sleep_us(us: int) -> None:
    """Wait ``us`` microseconds."""
    time.sleep(us / 1_000_000)

"""What the agent needs from its interpreter where that interpreter is CPython.

On a board this module does not exist: the bundler leaves it out, because MicroPython has the
same names built in. ``viper`` does nothing here and ``ptr8``/``ptr32`` view a buffer.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])


class micropython:  # noqa: N801  the name of the module it stands for
    """The one part of the ``micropython`` module that the agent uses in its loops."""

    @staticmethod
    def viper(function: F) -> F:
        """Leave the function as it is."""
        return function


class Place:
    """A byte of a buffer; it moves as an address does on a board."""

    __slots__ = ("at", "view")

    def __init__(self, view: memoryview, at: int) -> None:
        self.view = view
        self.at = at

    def __add__(self, count: int) -> Place:
        return Place(self.view, self.at + count)

    def __sub__(self, count: int) -> Place:
        return Place(self.view, self.at - count)

    def __lt__(self, other: Place) -> bool:
        return self.at < other.at


def addressof(buffer: Any) -> Place:
    """Where a buffer begins."""
    return Place(memoryview(buffer).cast("B"), 0)


def ptr8(buffer: Any) -> Any:
    """View a buffer, or what follows a place, as bytes."""
    if isinstance(buffer, Place):
        return buffer.view[buffer.at :]
    return memoryview(buffer).cast("B")


def ptr32(buffer: Any) -> Any:
    """View a buffer, or what follows a place, as unsigned 32-bit words."""
    octets = ptr8(buffer)
    return octets[: len(octets) & ~3].cast("I")


def ticks_ms() -> int:
    """Milliseconds from some moment on."""
    return time.monotonic_ns() // 1_000_000


def ticks_us() -> int:
    """Microseconds from some moment on."""
    return time.monotonic_ns() // 1_000


def ticks_diff(later: int, earlier: int) -> int:
    """Time between two readings."""
    return later - earlier


def ticks_add(moment: int, delta: int) -> int:
    """The moment ``delta`` after another."""
    return moment + delta

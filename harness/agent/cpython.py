"""What the agent needs from its interpreter where that interpreter is CPython.

On a board this module does not exist: the upload leaves it out, because MicroPython has the
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


class Place(int):
    """A byte of a buffer: a number that goes on counting as an address does on a board."""

    view: memoryview

    def __add__(self, count: int) -> Place:
        return place(self.view, int(self) + count)


def place(view: memoryview, at: int) -> Place:
    """Byte ``at`` of what a buffer holds."""
    found = Place(at)
    found.view = view
    return found


def addressof(buffer: object) -> int:
    """Where a buffer begins."""
    return place(memoryview(buffer).cast("B"), 0)  # type: ignore[arg-type]  # py3.11 has no Buffer


def ptr8(buffer: Any) -> Any:
    """View a buffer, or what follows a place, as bytes."""
    if isinstance(buffer, Place):
        return buffer.view[buffer:]
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

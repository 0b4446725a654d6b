"""What the agent needs from its interpreter where that interpreter is CPython.

On a board this module does not exist: the bundler leaves it out, because MicroPython has the
same names built in. ``viper`` does nothing here and ``ptr8``/``ptr32`` view a buffer.
"""

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


def ptr8(buffer: Any) -> Any:
    """View a buffer as bytes."""
    return memoryview(buffer).cast("B")


def ptr32(buffer: Any) -> Any:
    """View a buffer as unsigned 32-bit words."""
    return memoryview(buffer).cast("B").cast("I")


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

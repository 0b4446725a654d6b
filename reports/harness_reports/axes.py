"""Axes of plots: where values stand, and the round values that are written beside them.

The one rule: numbers in, numbers and texts out; nothing here knows what is plotted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

_STEPS = (1.0, 2.0, 5.0, 10.0)
_WIDE = 8.0
"""From this ratio of largest to least on, an axis is logarithmic."""

_SMALLEST = 1e-6


@dataclass(frozen=True)
class Axis:
    """A scale from ``low`` to ``high`` in the plot's own units, and values to be written at it.

    ``place`` puts a value between 0 (low) and 1 (high); one that was not among the values may lie
    outside, as a limit of 0 does on a logarithmic axis.
    """

    low: float
    high: float
    ticks: tuple[float, ...]
    place: Callable[[float], float]


def axis(values: Sequence[float], room: float = 0.08, ticks: int = 6) -> Axis:
    """Make an axis that shows all values, with some room beyond them.

    It is logarithmic if the values are above 0 and far apart.
    """
    least, most = min(values), max(values)
    if least > _SMALLEST and most / least >= _WIDE:
        return _logarithmic(least, most, room)
    return linear(values, room, ticks)


def linear(values: Sequence[float], room: float, ticks: int) -> Axis:
    """Make a linear axis that shows all values, with some room beyond them."""
    least, most = min(values), max(values)
    span = (most - least) or abs(most) * 0.2 or 1.0
    low, high = least - span * room, most + span * room
    step = round_step((high - low) / ticks)
    first = math.ceil(low / step)
    marks = tuple(n * step for n in range(first, math.floor(high / step) + 1))
    return Axis(low, high, marks, lambda value: (value - low) / (high - low))


def round_step(least: float) -> float:
    """Give the least of 1, 2 and 5 times a power of ten that is not below ``least``."""
    power = 10.0 ** math.floor(math.log10(least))
    return next((step * power for step in _STEPS if step * power >= least * 0.999), 10 * power)


def _logarithmic(least: float, most: float, room: float) -> Axis:
    stretch = (most / least) ** room
    low, high = least / stretch, most * stretch
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = _STEPS[:1] if most / least > 1e4 else _STEPS[:3]
    marks = tuple(
        value for power in decades for step in steps if low <= (value := step * 10.0**power) <= high
    )
    span = math.log(high / low)
    return Axis(low, high, marks, lambda value: math.log(max(value, _SMALLEST) / low) / span)


def thinned(count: int, most: int) -> range:
    """Choose which of ``count`` neighbours get a label, so that at most ``most`` do."""
    return range(0, count, max(1, math.ceil(count / max(1, most))))

"""The interval in which a pass rate lies, after Wilson (1927).

One rule: a rate is never shown without its uncertainty; two passes of two are not 100 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

Z_95 = 1.959963984540054
"""The 97.5 % quantile of the normal distribution: 95 % lie within this many deviations."""


@dataclass(frozen=True)
class PassRate:
    """Passes among tests, with the 95 % score interval from ``low`` to ``high`` (0 to 1)."""

    passes: int
    tested: int
    low: float
    high: float


def pass_rate(passes: int, tested: int) -> PassRate:
    """Return the rate with its Wilson 95 % interval; nothing tested gives the whole 0 to 1.

    Raises ValueError unless ``0 <= passes <= tested``.
    """
    if not 0 <= passes <= tested:
        raise ValueError(f"{passes} passes of {tested} tests")
    if not tested:
        return PassRate(0, 0, 0.0, 1.0)
    rate, square = passes / tested, Z_95 * Z_95
    middle = (rate + square / (2 * tested)) / (1 + square / tested)
    spread = math.sqrt(rate * (1 - rate) / tested + square / (4 * tested * tested))
    half = Z_95 * spread / (1 + square / tested)
    low = 0.0 if passes == 0 else max(0.0, middle - half)
    high = 1.0 if passes == tested else min(1.0, middle + half)
    return PassRate(passes, tested, low, high)

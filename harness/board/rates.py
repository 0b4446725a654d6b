"""The cycle rates of a board: whole ticks of its own clock.

One rule: a rate is a number of ticks, so two rates compare exactly, and a search over rates is a
search over whole numbers. More ticks are slower.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from harness.agent.backends import Backend
from harness.table import Pattern

FLOAT_ERROR = Fraction(1, 1 << 52)
"""Relative error of a float that represents a rate."""
MAX_PERIOD_NS = 0xFFFFFFFF
"""Maximum length of a cycle, in nanoseconds."""


@dataclass(frozen=True)
class RateGrid:
    """The rates of one board: a cycle takes ``fewest`` to ``most`` ticks of ``tick_ns`` each.

    ``exact`` is True where hardware times every cycle.
    """

    tick_ns: int | Fraction
    fewest: int
    exact: bool

    @property
    def most(self) -> int:
        """Ticks of the slowest cycle."""
        return int(MAX_PERIOD_NS // self.tick_ns)

    def hz(self, ticks: int) -> Fraction:
        """The rate of a cycle of ``ticks``, in Hz."""
        return Fraction(1_000_000_000, ticks * self.tick_ns)

    def ticks(self, hz: float) -> int:
        """Return the fastest cycle that is not faster than ``hz``, within the grid.

        The float nearest to a rate of the grid counts as that rate.
        """
        wanted = Fraction(1_000_000_000) / (Fraction(hz) * self.tick_ns)
        wanted -= wanted * FLOAT_ERROR
        return min(max(-(-wanted.numerator // wanted.denominator), self.fewest), self.most)


def pattern_rates(
    about: Backend, max_rate_hz: float, pattern: Pattern, tick_ns: Fraction | None = None
) -> RateGrid:
    """Return the rates at which a pins module can run a pattern, up to ``max_rate_hz``.

    A cycle with a clock pulse has two more edges, so its minimum is longer. Every number of ticks
    from the minimum up is reached without jitter. ``tick_ns`` is the tick that the board reports.
    """
    fewest = about.ticks[row_words(pattern) - 1]
    grid = RateGrid(tick_ns or about.tick_ns, fewest, about.exact)
    return replace(grid, fewest=grid.ticks(max_rate_hz))


def row_words(pattern: Pattern) -> int:
    """Words to the pins for each row: levels, and if any row pulses, levels with the pulse."""
    return 2 if pattern.pulse.any() else 1

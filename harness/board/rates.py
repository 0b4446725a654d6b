"""Which cycle rates a board can run at: whole ticks of its own clock.

One rule: a rate is named by its number of ticks, so two rates are the same or not, and a search
over rates is a search over whole numbers. More ticks are slower.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from harness.agent.backends import backend
from harness.table import Pattern

FLOAT_ERROR = Fraction(1, 1 << 52)
"""By how much of itself a float may be off the rate that it stands for."""
MAX_PERIOD_NS = 0xFFFFFFFF
"""Longest cycle that a board can be asked for, in nanoseconds."""


@dataclass(frozen=True)
class RateGrid:
    """The rates of one board: a cycle takes ``fewest`` to ``most`` ticks of ``tick_ns`` each.

    ``exact`` is True where hardware times every cycle.
    """

    tick_ns: int
    fewest: int
    exact: bool

    @property
    def most(self) -> int:
        """Ticks of the slowest cycle."""
        return MAX_PERIOD_NS // self.tick_ns

    def hz(self, ticks: int) -> Fraction:
        """The rate of a cycle of that many ticks, in cycles a second."""
        return Fraction(1_000_000_000, ticks * self.tick_ns)

    def ticks(self, hz: float) -> int:
        """The fastest cycle that is not faster than ``hz``; the fastest or slowest there is.

        A float that stands for a rate of the grid, as near as floats come, is that rate.
        """
        wanted = Fraction(1_000_000_000) / (Fraction(hz) * self.tick_ns)
        wanted -= wanted * FLOAT_ERROR
        return min(max(-(-wanted.numerator // wanted.denominator), self.fewest), self.most)


def pattern_rates(
    name: str, max_rate_hz: float, pattern: Pattern, tick_ns: int | None = None
) -> RateGrid:
    """The rates at which a pins module can run a pattern, up to what a profile allows.

    A cycle with a clock pulse has two edges more, so a pattern with one may not go as fast. Every
    number of ticks from the fewest on is reached without jitter. ``tick_ns`` is what a board says
    of itself. Raises ValueError for a pins module that does not exist.
    """
    about = backend(name)
    fewest = about.ticks[row_words(pattern) - 1]
    grid = RateGrid(tick_ns or about.tick_ns, fewest, about.exact)
    return replace(grid, fewest=grid.ticks(max_rate_hz))


def row_words(pattern: Pattern) -> int:
    """Words that a row takes to the pins: levels, and where a row pulses, levels with the pulse."""
    return 2 if pattern.pulse.any() else 1

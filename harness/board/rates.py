"""Which cycle rates a board can run at: whole ticks of its own clock.

One rule: a rate is named by its number of ticks, so two rates are the same or not, and a search
over rates is a search over whole numbers. More ticks are slower.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

MOST_PERIOD_NS = 0xFFFFFFFF
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
        return MOST_PERIOD_NS // self.tick_ns

    def hz(self, ticks: int) -> Fraction:
        """The rate of a cycle of that many ticks, in cycles a second."""
        return Fraction(1_000_000_000, ticks * self.tick_ns)

    def ticks(self, hz: float) -> int:
        """The fastest cycle that is not faster than ``hz``; the fastest or slowest there is."""
        wanted = Fraction(1_000_000_000) / (Fraction(hz) * self.tick_ns)
        return min(max(-(-wanted.numerator // wanted.denominator), self.fewest), self.most)


PACED_TICK_NS = {"generic": 1_000, "virtual": 1}
"""Nanoseconds in which each pins module without exact timing counts."""


def paced_rates(backend: str, max_rate_hz: float) -> RateGrid:
    """The rates of a board that is paced by software, up to what its profile allows."""
    tick = PACED_TICK_NS[backend]
    grid = RateGrid(tick, 1, exact=False)
    return RateGrid(tick, grid.ticks(max_rate_hz), exact=False)

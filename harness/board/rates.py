"""Which cycle rates a board can run at: whole ticks of its own clock.

One rule: a rate is named by its number of ticks, so two rates are the same or not, and a search
over rates is a search over whole numbers. More ticks are slower.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from harness.agent.rp2_timing import PLAIN_TICKS, PULSED_TICKS, SYNC_TICKS
from harness.table import Pattern

FLOAT_ERROR = Fraction(1, 1 << 52)
"""By how much of itself a float may be off the rate that it stands for."""
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
        """The fastest cycle that is not faster than ``hz``; the fastest or slowest there is.

        A float that stands for a rate of the grid, as near as floats come, is that rate.
        """
        wanted = Fraction(1_000_000_000) / (Fraction(hz) * self.tick_ns)
        wanted -= wanted * FLOAT_ERROR
        return min(max(-(-wanted.numerator // wanted.denominator), self.fewest), self.most)


PACED_TICK_NS = {"generic": 1_000, "virtual": 1}
"""Nanoseconds in which each pins module without exact timing counts."""


def paced_rates(backend: str, max_rate_hz: float) -> RateGrid:
    """The rates of a board that is paced by software, up to what its profile allows."""
    tick = PACED_TICK_NS[backend]
    grid = RateGrid(tick, 1, exact=False)
    return RateGrid(tick, grid.ticks(max_rate_hz), exact=False)


EXACT_TICK_NS = {"rp2": 8}
"""Nanoseconds of a tick of each pins module whose hardware times cycles: RP2040 at 125 MHz."""


def pattern_rates(backend: str, max_rate_hz: float, pattern: Pattern) -> RateGrid:
    """The rates at which a board can run a pattern, up to what its profile allows.

    A cycle with a clock pulse has two edges more, so a pattern with one cannot go as fast. Every
    number of ticks from the fewest on is reached without jitter. Raises KeyError for a pins
    module that does not exist.
    """
    if backend not in EXACT_TICK_NS:
        return paced_rates(backend, max_rate_hz)
    return exact_rates(EXACT_TICK_NS[backend], max_rate_hz, pattern)


def exact_rates(tick_ns: int, max_rate_hz: float, pattern: Pattern) -> RateGrid:
    """The rates of a pattern where hardware times every cycle in ticks of ``tick_ns``."""
    grid = RateGrid(tick_ns, row_ticks(pattern), exact=True)
    return RateGrid(tick_ns, grid.ticks(max_rate_hz), exact=True)


def row_ticks(pattern: Pattern) -> int:
    """The fewest ticks of a cycle of this pattern on a board whose hardware times cycles."""
    return PULSED_TICKS if pattern.pulse.any() else PLAIN_TICKS


def latest_sample_ns(grid: RateGrid, ticks: int, pattern: Pattern) -> int:
    """How late after the last edge outputs can be read in an exact cycle of so many ticks.

    The last edge of a cycle with a pulse is the pulse's second one: about a third of the cycle
    is left after it (at least four ticks). The synchroniser takes two ticks of that, reading one.
    """
    rest = ticks if row_ticks(pattern) == PLAIN_TICKS else max(4, ticks - 2 * (ticks // 3))
    return (rest - 1 - SYNC_TICKS) * grid.tick_ns

"""Converts a table's conditions to times for a board, in nanoseconds.

One rule: a cycle is never shorter than requested, and never outside the limits of the hardware.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from harness.board.capture import RunConditions
from harness.board.profile_model import BoardProfile
from harness.board.rates import MAX_PERIOD_NS, pattern_rates, row_words
from harness.table import Pattern


@dataclass(frozen=True)
class Timing:
    """The time of a cycle, of settling, and from the last edge to reading (0: late), in ns."""

    period_ns: int
    settle_ns: int
    sample_ns: int


def paced_timing(conditions: RunConditions, profile: BoardProfile) -> Timing:
    """Return the times for a board paced by software."""
    rate = min(conditions.clock_hz, profile.max_rate_hz)
    period = max(1, min(round(1e9 / rate), MAX_PERIOD_NS))
    return Timing(period, _settle_ns(conditions), conditions.sample_ns)


def exact_timing(
    conditions: RunConditions, profile: BoardProfile, tick_ns: Fraction, pattern: Pattern
) -> Timing:
    """Return the times for a board whose hardware times cycles in ticks of ``tick_ns``.

    The sample point is counted at the chip's pins, so the profile's round trip is added to it.
    A cycle that is too short to settle is lengthened. The board rounds up to whole ticks, so the
    period of a cycle is rounded down to whole nanoseconds.
    """
    grid = pattern_rates(profile.about, profile.max_rate_hz, pattern, tick_ns)
    ticks = grid.ticks(conditions.clock_hz)
    settle = _settle_ns(conditions)
    sample = conditions.sample_ns + profile.round_trip_ns if conditions.sample_ns else 0
    cycle = profile.about.cycle(
        row_words(pattern), ticks, -(-settle // tick_ns), -(-sample // tick_ns)
    )
    return Timing(int(cycle.ticks * tick_ns), settle, sample)


def _settle_ns(conditions: RunConditions) -> int:
    return round(conditions.settle_us * 1000)

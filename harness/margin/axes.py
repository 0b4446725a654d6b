"""The axes of a search or shmoo: rates that the board can run, sample points, voltages.

One rule: an axis has only values that the board can set, so a limit is one of its own steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from harness.agent.backends import Backend
from harness.board import RateGrid, pattern_rates, row_words
from harness.judge import Case
from harness.margin.search import Scale

SLOWEST_SHARE = 16
"""A search goes down to the declared clock divided by this; a design that fails there is broken."""

COLUMNS, HEIGHTS = 40, 11
"""Number of rates of a shmoo, and of its sample points or voltages."""


@dataclass(frozen=True)
class RateAxis:
    """The rates of a design on one board at which all of its tables can run.

    ``about`` is the board's pins module, ``tables_hz`` the fastest clock that one of the tables
    requests, ``promised_hz`` the one at which the design is promised to work. ``round_trip_ns`` is
    the delay to the chip and back.
    """

    about: Backend
    grid: RateGrid
    tables_hz: float
    promised_hz: float
    round_trip_ns: int = 0

    @property
    def declared_hz(self) -> float:
        """The clock that a margin refers to: the promised one, if this board can run it."""
        fastest = self.hz(self.grid.fewest)
        return self.promised_hz if self.promised_hz <= fastest else self.tables_hz

    @property
    def declared(self) -> int:
        """Ticks of a cycle at the declared clock, or the nearest that the board can run."""
        return self.grid.ticks(self.declared_hz)

    @property
    def slowest(self) -> int:
        """Ticks of the slowest cycle in a search."""
        return self.grid.ticks(self.declared_hz / SLOWEST_SHARE)

    @property
    def scale(self) -> Scale:
        """The scale of a search in ticks, starting at the declared clock."""
        first = max(1, self.declared // 4)
        return Scale(self.grid.fewest, self.slowest, self.declared, first)

    def columns(self) -> tuple[int, ...]:
        """Ticks of the rates of a shmoo, fastest first, roughly evenly spaced in per cent."""
        low, high = self.grid.fewest, self.slowest
        ratio = (high / low) ** (1 / (COLUMNS - 1))
        spread = {round(low * ratio**n) for n in range(COLUMNS)}
        return tuple(sorted({*spread, low, self.declared, high}))

    def hz(self, ticks: int) -> float:
        """The rate in Hz of a cycle of that many ticks."""
        return float(self.grid.hz(ticks))


def rate_axis(
    about: Backend, max_rate_hz: float, cases: Sequence[Case], round_trip_ns: int = 0
) -> RateAxis:
    """Find the rates at which every table of a design can run; there is at least one table.

    Where hardware times cycles, each rate is exact, so time to settle counts.
    """
    grids = [_grid(about, pattern_rates(about, max_rate_hz, case.pattern), case) for case in cases]
    grid = max(grids, key=lambda grid: grid.fewest)
    tables_hz = max(case.conditions.clock_hz for case in cases)
    return RateAxis(about, grid, tables_hz, cases[0].design.clock_hz, round_trip_ns)


def _grid(about: Backend, grid: RateGrid, case: Case) -> RateGrid:
    if not grid.exact:
        return grid
    cycle = about.cycle(row_words(case.pattern), grid.fewest, _settle(grid, case), 0)
    return replace(grid, fewest=cycle.ticks)


def _settle(grid: RateGrid, case: Case) -> int:
    """Ticks that the outputs of a table need to settle."""
    return -(-round(case.conditions.settle_us * 1000) // grid.tick_ns)


def sample_axis(axis: RateAxis, cases: Sequence[Case]) -> tuple[int, ...]:
    """Sample points of a shmoo in ns after the last edge, earliest first.

    The latest is the last for which the declared clock leaves time, or the last that hardware
    reaches in a cycle of any length. Empty if the sample point cannot be moved.
    """
    grid = axis.grid
    latest = axis.declared * grid.tick_ns
    if grid.exact:
        about = axis.about
        late = [about.cycle(row_words(c.pattern), axis.declared, 0, 0).read for c in cases]
        ticks = min(min(late) - about.sync_ticks, about.latest_ticks)
        latest = ticks * grid.tick_ns - axis.round_trip_ns
    heights = (Fraction(latest * n, HEIGHTS) // grid.tick_ns for n in range(1, HEIGHTS + 1))
    spread = {int(ticks * grid.tick_ns) for ticks in heights}
    return tuple(ns for ns in sorted(spread) if ns > 0 and possible(axis, axis.declared, ns, cases))


def possible(axis: RateAxis, ticks: int, sample_ns: int, cases: Sequence[Case]) -> bool:
    """Whether cycles of that many ticks can read outputs ``sample_ns`` after the last edge."""
    if not axis.grid.exact:
        return sample_ns <= ticks * axis.grid.tick_ns
    tick = axis.grid.tick_ns
    return all(0 <= _late_by(axis, ticks, sample_ns, case) < tick for case in cases)


def _late_by(axis: RateAxis, ticks: int, sample_ns: int, case: Case) -> Fraction:
    """How many ns later than requested the hardware reads; -1 if the cycle has to be longer."""
    grid = axis.grid
    wanted = -(-(sample_ns + axis.round_trip_ns) // grid.tick_ns)
    cycle = axis.about.cycle(row_words(case.pattern), ticks, _settle(grid, case), wanted)
    if cycle.ticks != ticks:
        return Fraction(-1)
    read = Fraction((cycle.read - axis.about.sync_ticks) * grid.tick_ns)
    return read - axis.round_trip_ns - sample_ns


def volt_axis(lowest: float, highest: float, nominal: float) -> tuple[float, ...]:
    """Voltages of a shmoo in multiples of 10 mV, lowest first, including the nominal one."""
    step = (highest - lowest) / (HEIGHTS - 1)
    spread = {round(lowest + n * step, 2) for n in range(HEIGHTS)}
    inside = {volts for volts in spread if lowest <= volts <= highest}
    return tuple(sorted({*inside, lowest, highest, nominal}))

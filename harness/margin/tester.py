"""Tests points on a board: every table of a design at a rate, a sample point and a voltage.

One rule: a trial that the link or the supply broke does not count. A board that went away is
awaited once per point; then the point is tried from its start.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from harness.board import RunConditions
from harness.judge import Case
from harness.margin.axes import RateAxis
from harness.margin.trials import TrialRule, Tried, try_point
from harness.rack import BoardSession, Station
from harness.records import MarginPoint


@dataclass
class PointTester:
    """Tests points of one design; ``observe`` receives every point that was decided."""

    station: Station
    cases: tuple[Case, ...]
    axis: RateAxis
    rule: TrialRule
    observe: Callable[[MarginPoint], None]
    points: list[MarginPoint] = field(default_factory=list)
    trials: int = 0
    _achieved: list[float] = field(default_factory=list)

    def passes(self, ticks: int, sample_ns: int = 0, volts: float | None = None) -> bool:
        """Try a point until it is decided; raises LinkError, TableUnfit or Cancelled."""
        tried = self.station.again(lambda session: self._try(session, ticks, sample_ns))
        rate = self.axis.hz(ticks)
        achieved = min(self._achieved, default=rate)
        point = MarginPoint(
            rate, achieved, sample_ns, volts, tried.trials, tried.passes, tried.passing
        )
        self.points.append(point)
        self.observe(point)
        return tried.passing

    def surest(self, volts: float | None) -> MarginPoint | None:
        """The slowest point that always passed at a voltage, with the latest sample point tried."""
        sure = [p for p in self.points if p.passes == p.trials and p.volts == volts]
        return min(sure, key=lambda point: (-point.sample_ns, point.rate_hz), default=None)

    def passes_again(self, point: MarginPoint) -> bool:
        """Try a point once more at its voltage, without keeping it; raises as :meth:`passes`."""
        ticks = self.axis.grid.ticks(point.rate_hz)
        tried = self.station.again(lambda session: self._try(session, ticks, point.sample_ns))
        return tried.passing

    def achieved(
        self, ticks: int | None, sample_ns: int = 0, volts: float | None = None
    ) -> float | None:
        """The achieved rate in Hz of a point that was tried; None for no point."""
        if ticks is None:
            return None
        rate = self.axis.hz(ticks)
        return next(
            point.achieved_hz
            for point in reversed(self.points)
            if (point.rate_hz, point.sample_ns, point.volts) == (rate, sample_ns, volts)
        )

    def _try(self, session: BoardSession, ticks: int, sample_ns: int) -> Tried:
        self._achieved.clear()
        return try_point(lambda: self._trial(session, ticks, sample_ns), self.rule)

    def _trial(self, session: BoardSession, ticks: int, sample_ns: int) -> bool:
        """Run every table once, after selecting the design again with reset held."""
        self.trials += 1
        session.select(self.cases[0].design)
        for case in self.cases:
            capture = session.run(case.pattern, self._conditions(case, ticks, sample_ns))
            if case.conditions.clock_hz == self.axis.tables_hz:
                self._achieved.append(capture.achieved_hz)
            if capture.mismatch_count:
                return False
        return True

    def _conditions(self, case: Case, ticks: int, sample_ns: int) -> RunConditions:
        """Scale the clocks of a design's tables; the fastest gets the requested rate."""
        share = case.conditions.clock_hz / self.axis.tables_hz
        return replace(case.conditions, clock_hz=self.axis.hz(ticks) * share, sample_ns=sample_ns)

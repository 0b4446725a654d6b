"""The three searches: for the rate, and for the rate by sample point or by voltage.

One rule: an edge consists of rates that were tried. The first edge is the one at the usual
conditions (sampled late, nominal voltage), which gives the margin.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from harness.errors import HarnessError, LinkError, SupplyTrouble, TableUnfit
from harness.margin.axes import possible, sample_axis
from harness.margin.search import find_edge, from_the_middle, trace
from harness.margin.tester import PointTester
from harness.records import MarginEdge
from harness.supply import BenchSupply


def find_rate(tester: PointTester) -> Iterator[MarginEdge]:
    """Find the highest rate that passes."""
    edge = find_edge(tester.axis.scale, tester.passes)
    yield _edge(tester, edge.passing, edge.failing, 0, None)


def find_sample(tester: PointTester) -> Iterator[MarginEdge]:
    """Find the highest rate for each sample point, the latest first.

    A rate whose cycle ends before the sample point counts as not passing; it is not run, and such
    an edge has no failing rate.
    """
    axis = tester.axis
    columns = axis.columns()
    samples = tuple(reversed(sample_axis(axis, tester.cases)))
    if len(samples) < 2:
        raise TableUnfit("a cycle of this design's clock leaves no time to move the sample point")
    impossible: set[tuple[int, int]] = set()

    def passes(row: int, column: int) -> bool:
        ticks = columns[column]
        if not possible(axis, ticks, samples[row], tester.cases):
            impossible.add((row, column))
            return False
        return tester.passes(ticks, samples[row])

    edges = trace(range(len(samples)), len(columns), passes, columns.index(axis.declared))
    for row, edge in edges.items():
        failing = None if (row, edge.failing) in impossible else _at(columns, edge.failing)
        yield _edge(tester, _at(columns, edge.passing), failing, samples[row], None)


def find_supply(
    tester: PointTester, volts: Sequence[float], nominal: float, supply: BenchSupply
) -> Iterator[MarginEdge]:
    """Find the highest rate for each supply voltage, the nominal one first.

    Each voltage is set once; the nominal one is set again at the end. The supply is checked after
    each failed point, before that counts, and at the end of each row; raises LinkError.
    """
    columns = tester.axis.columns()
    order = from_the_middle(len(volts), list(volts).index(nominal))
    fed = _Fed(tester, supply)

    def passes(row: int, column: int) -> bool:
        fed.at(volts[row])
        if tester.passes(columns[column], 0, volts[row]):
            return True
        fed.check()
        return False

    with _nominal_after(supply, nominal):
        edges = trace(order, len(columns), passes, columns.index(tester.axis.declared))
        fed.check()
    for row, edge in edges.items():
        yield _edge(tester, _at(columns, edge.passing), _at(columns, edge.failing), 0, volts[row])


@dataclass
class _Fed:
    """Checks the supply, and drops points that may not have had their voltage."""

    tester: PointTester
    supply: BenchSupply
    volts: float | None = None
    sure: int = 0
    """Number of the tester's points that are known to have had their voltage."""

    def at(self, volts: float) -> None:
        """Set a voltage, after a check of the row before."""
        if volts == self.volts:
            return
        self.check()
        self.supply.set_volts(volts)
        self.volts = volts

    def check(self) -> None:
        """Check the supply; if it is wrong, drop the points since it was last known to be right."""
        points = self.tester.points
        if self.volts is None or self.sure == len(points):
            return
        try:
            self.supply.check(self.volts)
        except LinkError:
            del points[self.sure :]
            raise
        self.sure = len(points)


@contextmanager
def _nominal_after(supply: BenchSupply, nominal: float) -> Iterator[None]:
    """Set the nominal voltage at the end; a failure to do so never hides what ended the search."""
    try:
        yield
    except BaseException as error:
        try:
            supply.set_volts(nominal)
        except LinkError as failed:
            note = f"and the nominal voltage of {nominal:g} V could not be set after that: {failed}"
            if not isinstance(error, HarnessError):
                error.add_note(note)
                raise error from failed
            raise SupplyTrouble(f"{error}; {note}") from error
        raise
    supply.set_volts(nominal)


def _at(columns: Sequence[int], index: int | None) -> int | None:
    return None if index is None else columns[index]


def _edge(
    tester: PointTester,
    passing: int | None,
    failing: int | None,
    sample_ns: int,
    volts: float | None,
) -> MarginEdge:
    return MarginEdge(
        sample_ns,
        volts,
        tester.achieved(passing, sample_ns, volts),
        tester.achieved(failing, sample_ns, volts),
    )

"""The three things that can be searched: the rate, and the rate against sample point or voltage.

One rule: an edge is told in rates that were tried; the first edge is the one at the usual
conditions (sampled late, nominal voltage), by which a margin is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from harness.margin.axes import latest_sample, sample_axis
from harness.margin.probe import Probe
from harness.margin.search import find_edge
from harness.margin.shmoo import from_the_middle, trace
from harness.store import MarginEdge

SetVolts = Callable[[float], float]


def find_rate(probe: Probe) -> Iterator[MarginEdge]:
    """Find the highest rate that passes."""
    edge = find_edge(probe.axis.scale, probe.passes)
    yield _edge(probe, edge.passing, edge.failing, 0, None)


def find_sample(probe: Probe) -> Iterator[MarginEdge]:
    """Find the highest rate for each sample point, the latest first.

    A rate whose cycle ends before the sample point counts as one that does not pass; it is not
    run, and no failing rate is told for such an edge.
    """
    axis = probe.axis
    columns = axis.columns()
    samples = tuple(reversed(sample_axis(axis, probe.cases)))
    impossible: set[tuple[int, int]] = set()

    def passes(row: int, column: int) -> bool:
        ticks = columns[column]
        if latest_sample(axis, ticks, probe.cases) < samples[row]:
            impossible.add((row, column))
            return False
        return probe.passes(ticks, samples[row])

    edges = trace(range(len(samples)), len(columns), passes, columns.index(axis.declared))
    for row, edge in edges.items():
        failing = None if (row, edge.failing) in impossible else _at(columns, edge.failing)
        yield _edge(probe, _at(columns, edge.passing), failing, samples[row], None)


def find_supply(
    probe: Probe, volts: Sequence[float], nominal: float, set_volts: SetVolts
) -> Iterator[MarginEdge]:
    """Find the highest rate for each supply voltage, the nominal one first.

    ``set_volts`` sets a voltage and raises LinkError if it does not come about. Each voltage is
    set once; the nominal one is set again at the end.
    """
    columns = probe.axis.columns()
    order = from_the_middle(len(volts), list(volts).index(nominal))
    now: list[float] = []

    def passes(row: int, column: int) -> bool:
        if now != [volts[row]]:
            set_volts(volts[row])
            now[:] = [volts[row]]
        return probe.passes(columns[column], 0, volts[row])

    try:
        edges = trace(order, len(columns), passes, columns.index(probe.axis.declared))
    finally:
        set_volts(nominal)
    for row, edge in edges.items():
        yield _edge(probe, _at(columns, edge.passing), _at(columns, edge.failing), 0, volts[row])


def _at(columns: Sequence[int], index: int | None) -> int | None:
    return None if index is None else columns[index]


def _edge(
    probe: Probe, passing: int | None, failing: int | None, sample_ns: int, volts: float | None
) -> MarginEdge:
    return MarginEdge(
        sample_ns,
        volts,
        probe.achieved(passing, sample_ns, volts),
        probe.achieved(failing, sample_ns, volts),
    )

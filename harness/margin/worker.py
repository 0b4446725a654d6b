"""Searches of one slot: every target of its chip, with a record of each.

One rule: whatever ends a search early is in its record, with every point tried until then; it says
nothing about the chip.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field

from harness.agent.backends import backend
from harness.board import BoardProfile
from harness.errors import Cancelled, HarnessError, LinkError
from harness.judge import Case, RetryPolicy
from harness.margin.axes import rate_axis, volt_axis
from harness.margin.find import find_rate, find_sample, find_supply
from harness.margin.plan import SearchTarget, record_of
from harness.margin.tester import PointTester
from harness.margin.trials import TrialRule
from harness.rack import Opener, Policy, RackNews, Slot, Station, StopSwitch, harmless, within
from harness.records import (
    ChipRecord,
    MarginEdge,
    MarginKind,
    MarginPoint,
    MarginRecord,
    Outcome,
    Verdict,
)
from harness.supply import BenchSupply

STOPPED = "the search was stopped"
NO_MARGIN = "not searched, because the continuity test suspects the board"


@dataclass(frozen=True)
class PointTried:
    """A point was decided."""

    slot: str
    chip: str
    design: str
    point: MarginPoint


@dataclass(frozen=True)
class MarginFound:
    """A search ended, and its record is stored."""

    record: MarginRecord


MarginEvent = PointTried | MarginFound | RackNews
MarginObserver = Callable[[MarginEvent], None]


@dataclass(frozen=True, eq=False)
class SearchMeans:
    """What all slots have in common. ``supply`` is already in use, or None.

    ``turn`` is held while the supply's voltage belongs to one slot. ``suspicion`` says what the
    outcomes of a slot's continuity test suspect of its board; empty if nothing.
    """

    profile: BoardProfile
    open_slot: Opener
    kind: MarginKind
    rule: TrialRule
    keep: Callable[[MarginRecord], None]
    observe: MarginObserver
    stop: StopSwitch
    supply: BenchSupply | None = None
    turn: threading.Lock = field(default_factory=threading.Lock)
    suspicion: Callable[[ChipRecord, tuple[Outcome, ...]], str] = lambda *_: ""


class MarginWorker:
    """Searches one slot's chip; ``names`` holds the placeholders of the power-cycle command.

    ``test`` are the tables of the continuity test, which run first: a chip on a board that they
    suspect gets no margin.
    """

    def __init__(
        self,
        slot: Slot,
        targets: tuple[SearchTarget, ...],
        means: SearchMeans,
        names: Mapping[str, str],
        test: Sequence[Case] = (),
    ) -> None:
        self.slot = slot.name
        self._slot = slot
        self._targets = targets
        self._test = test
        self._means = means
        self._observe = harmless(means.observe)
        policy = Policy(stop=means.stop, names=names, must_be=slot.board)
        self._station = Station(slot, means.open_slot, policy)

    def run(self) -> None:
        """Search every target and leave the board; after a stop the records of the rest say so."""
        with closing(self._station):
            suspected = within(self._station.where, self._suspicion, self._broken)
            for target in self._targets:
                self._keep(self._search(target, suspected))

    def _keep(self, record: MarginRecord) -> None:
        self._means.keep(record)
        self._observe(MarginFound(record))

    def _suspicion(self) -> str:
        """Run the continuity test; say what it suspects of the board, or what broke it."""
        outcomes: list[Outcome] = []
        for case in self._test:
            if self._means.stop.stopped:
                return ""
            outcomes.append(self._station.measured(case))
        suspected = self._means.suspicion(self._station.record, tuple(outcomes))
        return f"{NO_MARGIN}: {suspected}" if suspected else ""

    def _search(self, target: SearchTarget, suspected: str) -> MarginRecord:
        means, began = self._means, time.monotonic()
        profile = means.profile
        about = backend("virtual") if self._slot.virtual else profile.about
        axis = rate_axis(about, profile.max_rate_hz, target.cases, profile.round_trip_ns)
        tester = PointTester(
            self._station,
            target.cases,
            axis,
            means.rule,
            lambda p: self._observe(PointTried(self.slot, self._slot.chip, target.design, p)),
        )
        edges: list[MarginEdge] = []

        def work() -> str:
            if suspected:
                return suspected
            edges.extend(self._edges(tester))
            return self._doubt(tester, edges)

        try:
            trouble = within(self._station.where, work, self._broken)
        except Cancelled:
            trouble = STOPPED
        return record_of(target, means.kind, tester, edges, time.monotonic() - began, trouble)

    def _broken(self, error: HarnessError) -> str:
        """Say what ended a search; the next one reopens the board."""
        self._station.close()
        return str(error)

    def _doubt(self, tester: PointTester, edges: Sequence[MarginEdge]) -> str:
        """Say why the result may not be due to the chip; empty if nothing suggests that.

        A chip that passes nowhere, or no longer where it did, is examined like a failing table,
        with tests of the pins: an open contact is a fault of the board.
        """
        good = tester.surest(edges[0].volts) if edges else None
        if good is not None and tester.passes_again(good):
            return ""
        if good is None and any(edge.highest_hz is not None for edge in edges):
            return ""
        for case in tester.cases:
            ran = self._station.run(case, RetryPolicy())
            if (ended := ran.gone or ran.lost) is not None:
                raise ended
            if ran.floating or ran.outcome.verdict is Verdict.ERROR:
                return ran.outcome.summary
        if good is None:
            return ""
        return (
            f"what passed {good.trials} times at {good.rate_hz:.6g} Hz now fails, so chip, contact "
            "or supply changed during the search; search again"
        )

    def _edges(self, tester: PointTester) -> Iterator[MarginEdge]:
        if self._means.stop.stopped:
            raise Cancelled(STOPPED)
        match self._means.kind:
            case MarginKind.RATE:
                yield from find_rate(tester)
            case MarginKind.SAMPLE:
                yield from find_sample(tester)
            case MarginKind.SUPPLY:
                yield from self._supply_edges(tester)

    def _supply_edges(self, tester: PointTester) -> Iterator[MarginEdge]:
        supply = self._means.supply
        if supply is None:
            raise LinkError("no bench supply is in use")
        limits, nominal = supply.spec.limits, supply.spec.volts
        volts = volt_axis(limits.low_v, limits.high_v, nominal)
        with self._means.turn:
            if self._means.stop.stopped:
                raise Cancelled(STOPPED)
            yield from find_supply(tester, volts, nominal, supply)

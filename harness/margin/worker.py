"""One slot at work: search every design that is wanted of its chip, and hand each record on.

One rule: whatever ends a search early is in its record, with every point that was tried till
then; it says nothing about the chip.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from harness.board import BoardProfile
from harness.errors import Cancelled, HarnessError, LinkError
from harness.judge import RetryPolicy, examine
from harness.margin.axes import rate_axis, volt_axis
from harness.margin.find import find_rate, find_sample, find_supply
from harness.margin.plan import Found, Target, record_of
from harness.margin.probe import Probe
from harness.margin.trials import TrialRule
from harness.rack import (
    BoardSession,
    Opener,
    Reacher,
    Slot,
    StopSwitch,
    harmless,
    leave,
    within,
)
from harness.records import MarginEdge, MarginKind, MarginPoint, MarginRecord, Verdict
from harness.supply import BenchSupply

STOPPED = "the search was stopped"


@dataclass(frozen=True)
class PointTried:
    """A point was decided."""

    slot: str
    chip: str
    design: str
    point: MarginPoint


@dataclass(frozen=True)
class MarginFound:
    """A search ended, and its record is kept."""

    record: MarginRecord


MarginEvent = PointTried | MarginFound
Tell = Callable[[MarginEvent], None]


@dataclass(frozen=True, eq=False)
class Means:
    """What all slots have in common. ``supply`` is in use already, or None.

    ``turn`` is held while the supply's voltage belongs to one slot.
    """

    profile: BoardProfile
    open_slot: Opener
    kind: MarginKind
    rule: TrialRule
    keep: Callable[[MarginRecord], None]
    tell: Tell
    stop: StopSwitch
    supply: BenchSupply | None = None
    turn: threading.Lock = field(default_factory=threading.Lock)


class MarginWorker:
    """Searches one slot's chip. ``names`` fills the words of the command that cycles power."""

    def __init__(
        self, slot: Slot, targets: tuple[Target, ...], means: Means, names: dict[str, str]
    ) -> None:
        self.slot = slot.name
        self._slot = slot
        self._targets = targets
        self._means = means
        self._session: BoardSession | None = None
        self._board = slot.board
        self._where = f"slot {slot.name}"
        self._tell = harmless(means.tell)
        self._reacher = Reacher(slot, names, lambda: means.stop.stopped, lambda _: None)

    def run(self) -> None:
        """Search every target; always leaves the board. After a stop the rest is told as such."""
        try:
            for target in self._targets:
                self._keep(self._search(target))
        finally:
            self._close()

    def _keep(self, record: MarginRecord) -> None:
        self._means.keep(record)
        self._tell(MarginFound(record))

    def _search(self, target: Target) -> MarginRecord:
        means, began = self._means, time.monotonic()
        backend = "virtual" if self._slot.virtual else means.profile.backend
        axis = rate_axis(
            backend, means.profile.max_rate_hz, target.cases, means.profile.round_trip_ns
        )
        probe = Probe(
            self._open,
            self._again,
            target.cases,
            axis,
            means.rule,
            lambda p: self._tell(PointTried(self.slot, self._slot.chip, target.design, p)),
        )
        edges: list[MarginEdge] = []

        def work() -> str:
            edges.extend(self._edges(probe))
            return self._doubt(probe, edges)

        try:
            trouble = within(self._where, work, self._broken)
        except Cancelled:
            trouble = STOPPED
        seconds = time.monotonic() - began
        found = Found(tuple(edges), tuple(probe.points), probe.trials, seconds, trouble)
        return record_of(target, means.kind, axis, found, self._board)

    def _broken(self, error: HarnessError) -> str:
        """Say what ended a search; the next one opens the board anew."""
        self._close()
        return str(error)

    def _doubt(self, probe: Probe, edges: Sequence[MarginEdge]) -> str:
        """Say why what was found may not be the chip's doing; empty if nothing speaks for that.

        A chip that passes nowhere, or no longer where it did, is looked at as a table is that
        fails: with tests of the pins. A contact that is open is a fault of the board.
        """
        good = probe.surest(edges[0].volts) if edges else None
        if good is not None and probe.passes_again(good):
            return ""
        if good is None and any(edge.highest_hz is not None for edge in edges):
            return ""
        for case in probe.cases:
            found = examine(self._open(), case, RetryPolicy())
            if found.lost is not None:
                raise found.lost
            if found.floating or found.outcome.verdict is Verdict.ERROR:
                return found.outcome.summary
        if good is None:
            return ""
        return (
            f"what passed {good.trials} times at {good.rate_hz:.6g} Hz fails now, so chip, contact "
            "or supply changed meanwhile; search again"
        )

    def _edges(self, probe: Probe) -> Iterator[MarginEdge]:
        if self._means.stop.stopped:
            raise Cancelled(STOPPED)
        match self._means.kind:
            case MarginKind.RATE:
                yield from find_rate(probe)
            case MarginKind.SAMPLE:
                yield from find_sample(probe)
            case MarginKind.SUPPLY:
                yield from self._supply_edges(probe)

    def _supply_edges(self, probe: Probe) -> Iterator[MarginEdge]:
        supply = self._means.supply
        if supply is None:
            raise LinkError("no bench supply is in use")
        limits, nominal = supply.spec.limits, supply.spec.volts
        volts = volt_axis(limits.low_v, limits.high_v, nominal)
        with self._means.turn:
            if self._means.stop.stopped:
                raise Cancelled(STOPPED)
            yield from find_supply(probe, volts, nominal, supply)

    def _open(self) -> BoardSession:
        """Give the session that is open, or open the first one. Raises LinkError."""
        if self._session is None:
            self._use(self._reacher.first(self._means.open_slot))
        assert self._session is not None
        return self._session

    def _again(self) -> BoardSession:
        """Open a session after the link was lost. Raises LinkError, Cancelled."""
        self._close()
        self._use(self._reacher.again(self._means.open_slot, self._board))
        return self._open()

    def _use(self, session: BoardSession) -> None:
        told = session.identity.board_serial
        self._session = session
        if self._slot.board and told.casefold() != self._slot.board.casefold():
            self._close()
            raise LinkError(
                f"slot {self.slot}: the board says it is {told or 'nobody'}, the rack file says "
                f"{self._slot.board}; plug the right board in or correct the rack file"
            )
        self._board = told or self._board
        self._means.stop.watch(session)

    def _close(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            self._means.stop.forget(session)
            leave(self._where, session.close)

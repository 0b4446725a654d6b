"""One slot's thread: does the plan's steps on a real session, and hands every outcome on.

One rule: an outcome is kept by the sink before anybody is told of it or the next step begins.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal, Protocol

from harness.board import BoardIdentity
from harness.errors import (
    BoardLost,
    BoardSilent,
    Cancelled,
    HarnessError,
    HostMisuse,
    LinkError,
)
from harness.judge import Case, PatternRunner, RetryPolicy, examine, not_run, unusable
from harness.rack.boundary import harmless, leave, within
from harness.rack.events import (
    Observer,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
    TableStarted,
)
from harness.rack.known import answered, unreached
from harness.rack.model import Slot
from harness.rack.plan import (
    Connect,
    Finish,
    GiveUp,
    RunTable,
    SelectDesign,
    SlotState,
    Step,
    next_step,
)
from harness.rack.reach import Reacher
from harness.records import ChipRecord, Outcome
from harness.shuttle import Design

STOPPED = "the run was stopped"
AGAIN = "The link was lost once, and the table was run again from its start."


class BoardSession(PatternRunner, Protocol):
    """The part of a board session that a slot needs."""

    @property
    def identity(self) -> BoardIdentity:
        """Who answered."""
        ...

    def supply_ma(self) -> float | None:
        """Measure what the chip draws, in mA; None where the board cannot; raises LinkError."""
        ...

    def select(self, design: Design) -> None:
        """Select a design; raises LinkError."""
        ...

    def cancel(self) -> None:
        """Make a running ``run`` raise Cancelled; callable from another thread."""
        ...

    def close(self) -> None:
        """Leave the board as it was found."""
        ...


Opener = Callable[[Slot], BoardSession]


class Sink(Protocol):
    """Where records go, durably, as they happen. Called from many threads."""

    def record_chip(self, chip: ChipRecord) -> None:
        """Keep a chip's identity."""
        ...

    def record_outcome(self, outcome: Outcome) -> None:
        """Keep one outcome."""
        ...


@dataclass
class StopSwitch:
    """Stops every slot: sets a flag and cancels the sessions that are open."""

    _stopped: threading.Event = field(default_factory=threading.Event)
    _sessions: list[BoardSession] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def stopped(self) -> bool:
        """Whether the run was asked to stop."""
        return self._stopped.is_set()

    def stop(self) -> None:
        """Ask every slot to stop soon."""
        self._stopped.set()
        with self._lock:
            for session in self._sessions:
                session.cancel()

    def watch(self, session: BoardSession) -> None:
        """Have a session cancelled when the run stops."""
        with self._lock:
            self._sessions.append(session)
        if self.stopped:
            session.cancel()

    def forget(self, session: BoardSession) -> None:
        """Leave a session alone from now on."""
        with self._lock, suppress(ValueError):
            self._sessions.remove(session)


class SlotWorker:
    """Runs the cases of one slot from first to last and keeps its chip's record.

    ``open_session`` raises LinkError if the board cannot be reached. A StoreError of the sink
    passes through: results that cannot be kept end the slot. Whatever else a slot's calls raise
    becomes an ERROR of the table, or the slot's trouble. ``names`` fills the words of the
    command that cycles the board's power.
    """

    def __init__(
        self,
        slot: Slot,
        cases: Sequence[Case],
        open_session: Opener,
        sink: Sink,
        policy: RetryPolicy,
        stop: StopSwitch,
        observe: Observer,
        names: Mapping[str, str] | None = None,
    ) -> None:
        self.record = unreached(slot)
        self._slot = slot
        self._open_session = open_session
        self._sink = sink
        self._policy = policy
        self._stop = stop
        self._observe = harmless(observe)
        self._session: BoardSession | None = None
        self._interrupted: Outcome | None = None
        self._reacher = Reacher(
            slot,
            {"slot": slot.name, "board": slot.board, "port": slot.port, **(names or {})},
            lambda: stop.stopped,
            self._recovering,
        )
        self._state = SlotState(tuple(cases))
        self._began = datetime.now(UTC)
        self._tables = len(cases)

    @property
    def slot(self) -> str:
        """The slot's name."""
        return self._slot.name

    def run(self) -> None:
        """Work until the plan is finished; always leaves the board and tells that it is done."""
        where = f"slot {self._slot.name}"
        try:
            within(where, lambda: self._sink.record_chip(self.record), self._failed)
            while within(where, self._step, self._failed):
                pass
        finally:
            self._close()
            self._observe(SlotFinished(self._slot.name, self.record.trouble))

    def _step(self) -> bool:
        """Do what the plan says; whether there is more to do."""
        if self._stop.stopped and not self._state.stopped:
            self._state = self._state.after_stop(STOPPED)
        self._began = datetime.now(UTC)
        step = next_step(self._state)
        try:
            self._do(step)
        except Cancelled:
            self._state = self._state.after_stop(STOPPED)
        return not isinstance(step, Finish)

    def _do(self, step: Step) -> None:
        match step:
            case Finish():
                return
            case Connect():
                self._connect()
            case SelectDesign(case):
                self._select(case)
            case RunTable(case):
                self._run_table(case)
            case GiveUp(reason, rest):
                self._give_up(reason, rest)

    def _failed(self, error: HarnessError) -> Literal[True]:
        """Make of what a step raised an ERROR of its table, or the slot's trouble."""
        match next_step(self._state):
            case SelectDesign(case) | RunTable(case):
                self._lose(error, unusable(self._own(case), error, self._began))
            case Connect():
                self._cannot_use(str(error))
            case GiveUp() | Finish():  # nothing is left that could be said in the sink
                raise error
        return True

    def _connect(self) -> None:
        slot, known = self._slot, self.record
        self._observe(SlotConnecting(slot.name, slot.chip, known.port, self._tables))
        if known.agent_version:
            session = self._reacher.again(self._open_session, known.board_serial)
        else:
            session = self._reacher.first(self._open_session)
        self._session = session
        self._stop.watch(session)
        self._welcome(session.identity)

    def _welcome(self, identity: BoardIdentity) -> None:
        """Check that the board that answered is the one the rack file names; keep who it is."""
        expected = self._slot.board or self.record.board_serial
        told = identity.board_serial
        if expected and told.casefold() != expected.casefold():
            self._cannot_use(self._another(told or "nobody"))
            return
        self._keep(answered(self.record, identity))
        self._state = self._state.after_connect()

    def _another(self, told: str) -> str:
        if not self._slot.board:
            return (
                f"the board says it is {told}, before it was {self.record.board_serial}; plug "
                "every board in where it was and run again"
            )
        return (
            f"the board says it is {told}, the rack file says {self._slot.board}; plug the right "
            "board in or correct the rack file"
        )

    def _cannot_use(self, why: str) -> None:
        """Note why the slot is of no use; the chip behind it stays unjudged."""
        port = self.record.port
        why = why.removeprefix(f"{port}: ")
        self._close()
        lost, self._interrupted = self._interrupted, None
        self._reacher.remarks()  # they are part of the reason already
        if lost is not None:
            self._judged(replace(lost, summary=f"{lost.summary} It did not come back: {why}."))
        where = f"slot {self._slot.name}, port {port or 'not given'}"
        self._keep(replace(self.record, trouble=f"{where}: {why}"))
        self._state = self._state.after_stop(why)

    def _own(self, case: Case) -> Case:
        """Put the board that answered into a case."""
        return replace(case, board_serial=self.record.board_serial)

    def _select(self, case: Case) -> None:
        assert self._session is not None
        self._session.select(case.design)
        self._state = self._state.after_select(case.design.name)

    def _run_table(self, case: Case) -> None:
        assert self._session is not None
        done = len(self.record.outcomes)
        self._observe(
            TableStarted(self._slot.name, case.design.name, case.spec.name, done, self._tables)
        )
        found = examine(self._session, self._own(case), self._policy)
        if found.lost is None or isinstance(found.lost, HostMisuse):
            self._judged(found.outcome)
        else:
            self._lose(found.lost, found.outcome)

    def _judged(self, outcome: Outcome) -> None:
        """Keep an outcome, then tell of it."""
        again = (AGAIN,) if self._interrupted is not None else ()
        self._interrupted = None
        summary = " ".join((outcome.summary, *again, *self._reacher.remarks()))
        outcome = replace(outcome, summary=summary)
        self._sink.record_outcome(outcome)
        self.record = replace(self.record, outcomes=(*self.record.outcomes, outcome))
        self._state = self._state.after_table()
        self._observe(TableJudged(self._slot.name, outcome))

    def _lose(self, error: HarnessError, outcome: Outcome) -> None:
        """Let a table that lost its link run again; ``outcome`` is kept if it may not."""
        self._close()
        if isinstance(error, BoardLost | BoardSilent) and self._state.may_run_again:
            where = f"{outcome.design}/{outcome.table}"
            self._recovering(f"the link was lost in {where}, which will run again ({error})")
            self._interrupted = outcome
            self._state = self._state.after_interruption()
            return
        self._judged(outcome)
        lost = isinstance(error, LinkError)
        self._state = self._state.after_loss(
            f"the link was lost again ({error})" if lost else str(error)
        )

    def _recovering(self, text: str) -> None:
        self._observe(SlotRecovering(self._slot.name, text))

    def _give_up(self, reason: str, rest: Sequence[Case]) -> None:
        now = datetime.now(UTC)
        self._interrupted = None
        for case in rest:
            self._judged(not_run(case, reason, now))

    def _keep(self, record: ChipRecord) -> None:
        """Keep who answered; outcomes are kept one by one."""
        self.record = record
        self._sink.record_chip(replace(record, outcomes=()))

    def _close(self) -> None:
        """Leave the board; a board that is gone cannot be left, and that is no news."""
        session, self._session = self._session, None
        if session is None:
            return
        self._stop.forget(session)
        leave(f"slot {self._slot.name}", session.close)

"""One slot's thread: does the plan's steps on a real session, and hands every outcome on.

One rule: an outcome is kept by the sink before anybody is told of it or the next step begins.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Protocol

from harness.board import BoardIdentity
from harness.errors import Cancelled, HarnessError, HostMisuse, LinkError
from harness.judge import (
    Case,
    ChipRecord,
    Gathered,
    Outcome,
    PatternRunner,
    RetryPolicy,
    examine,
    not_run,
    untested,
)
from harness.rack.events import (
    Observer,
    SlotConnecting,
    SlotFinished,
    TableJudged,
    TableStarted,
)
from harness.rack.model import Slot
from harness.rack.plan import (
    Connect,
    Finish,
    GiveUp,
    RunTable,
    SelectDesign,
    SlotState,
    next_step,
)
from harness.shuttle import Design

STOPPED = "the run was stopped"


class BoardSession(PatternRunner, Protocol):
    """The part of a board session that a slot needs."""

    @property
    def identity(self) -> BoardIdentity:
        """Who answered."""
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

    ``open_session`` raises LinkError if the board cannot be reached. Errors of the sink pass
    through: results that cannot be kept end the slot.
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
    ) -> None:
        self.record = ChipRecord(
            slot=slot.name,
            chip_serial=slot.chip,
            board_serial=slot.board,
            port=slot.port,
            virtual=slot.virtual,
            agent_version="",
            interpreter="",
            backend="",
            exact=False,
            trouble="",
            outcomes=(),
        )
        self._slot = slot
        self._open_session = open_session
        self._sink = sink
        self._policy = policy
        self._stop = stop
        self._observe = observe
        self._session: BoardSession | None = None
        self._state = SlotState(tuple(cases))
        self._tables = len(cases)

    def run(self) -> None:
        """Work until the plan is finished; always leaves the board and tells that it is done."""
        try:
            self._sink.record_chip(self.record)
            self._work()
        finally:
            self._close()
            self._observe(SlotFinished(self._slot.name, self.record.trouble))

    def _work(self) -> None:
        while True:
            if self._stop.stopped and not self._state.stopped:
                self._state = self._state.after_stop(STOPPED)
            match next_step(self._state):
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

    def _connect(self) -> None:
        self._observe(
            SlotConnecting(self._slot.name, self._slot.chip, self._slot.port, self._tables)
        )
        try:
            session = self._open_session(self._slot)
        except Cancelled:
            self._state = self._state.after_stop(STOPPED)
            return
        except HarnessError as error:
            self._cannot_use(str(error))
            return
        self._session = session
        self._stop.watch(session)
        self._welcome(session.identity)

    def _welcome(self, identity: BoardIdentity) -> None:
        """Check that the board that answered is the one the rack file names; keep who it is."""
        expected = self._slot.board
        if expected and identity.board_serial != expected:
            self._cannot_use(
                f"the board says it is {identity.board_serial or 'nobody'}, the rack file says "
                f"{expected}; plug the right board in or correct the rack file"
            )
            return
        self._keep(
            replace(
                self.record,
                board_serial=identity.board_serial,
                agent_version=identity.agent_version,
                interpreter=identity.interpreter,
                backend=identity.backend,
                exact=identity.exact,
            )
        )
        self._state = self._state.after_connect()

    def _cannot_use(self, why: str) -> None:
        """Note why the slot is of no use; the chip behind it stays unjudged."""
        port = self._slot.port
        where = f"slot {self._slot.name}, port {port or 'not given'}"
        self._close()
        self._keep(replace(self.record, trouble=f"{where}: {why.removeprefix(f'{port}: ')}"))
        self._state = self._state.after_stop(why)

    def _select(self, case: Case) -> None:
        assert self._session is not None
        started = datetime.now(UTC)
        case = replace(case, board_serial=self.record.board_serial)
        try:
            self._session.select(case.design)
        except Cancelled:
            self._state = self._state.after_stop(STOPPED)
        except LinkError as error:
            self._judged(untested(case, Gathered(), error, started))
            self._lose(error)
        else:
            self._state = self._state.after_select(case.design.name)

    def _run_table(self, case: Case) -> None:
        assert self._session is not None
        done = len(self.record.outcomes)
        self._observe(
            TableStarted(self._slot.name, case.design.name, case.spec.name, done, self._tables)
        )
        case = replace(case, board_serial=self.record.board_serial)
        try:
            found = examine(self._session, case, self._policy)
        except Cancelled:
            self._state = self._state.after_stop(STOPPED)
            return
        self._judged(found.outcome)
        if found.lost is not None and not isinstance(found.lost, HostMisuse):
            self._lose(found.lost)

    def _judged(self, outcome: Outcome) -> None:
        """Keep an outcome, then tell of it."""
        self._sink.record_outcome(outcome)
        self.record = replace(self.record, outcomes=(*self.record.outcomes, outcome))
        self._state = self._state.after_table()
        self._observe(TableJudged(self._slot.name, outcome))

    def _lose(self, error: LinkError) -> None:
        self._close()
        self._state = self._state.after_loss(f"the link was lost again ({error})")

    def _give_up(self, reason: str, rest: Sequence[Case]) -> None:
        now = datetime.now(UTC)
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
        with suppress(LinkError, Cancelled):
            session.close()

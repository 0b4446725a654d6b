"""The station of a slot: opens its board when needed, checks it, keeps it open, reopens it.

One rule: a session is used only if it is with the board that the slot has had all along, and
whatever was done to get it is reported. Run, night, intake, margin and replay differ by their
:class:`Policy`, not by loops of their own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TypeVar

from harness.board import BoardIdentity, Capture, open_session
from harness.errors import (
    BoardLost,
    BoardMisbehaved,
    BoardSilent,
    Cancelled,
    HarnessError,
    HostMisuse,
    LinkError,
)
from harness.judge import (
    DRAWN,
    MAX_LONG_WINDOWS,
    MAX_READ,
    Case,
    Examination,
    RetryPolicy,
    examine,
    unusable,
)
from harness.rack.boundary import leave, within
from harness.rack.events import (
    Observer,
    SlotConnecting,
    SlotRecovering,
    TableStarted,
    unobserved,
)
from harness.rack.lock import Locks
from harness.rack.model import Rack, Slot, unreached
from harness.rack.modelled import ModelledSession
from harness.rack.policy import Policy, TableRun
from harness.rack.ports import at_its_port, find_port
from harness.rack.power import PowerCycle, cycle_power
from harness.rack.session import BoardSession, Opener
from harness.rack.slow import cycles_done
from harness.records import ChipRecord, Outcome

AGAIN = "The link was lost once, and the table was run again from its start."
DONE_AGAIN = "The link was lost once, and this was done again from its start."
POWER_ADVICE = 'or name a command in the rack file that switches it off and on ("power_cycle")'
WRONG_BOARD = "plug in the right board or correct the rack file"
RETRY_SECONDS = 0.25

Done = TypeVar("Done")


class Station:
    """One slot's board. ``record`` names the board that answered; ``losses`` may still happen.

    Methods that use the board raise LinkError if it cannot be reached, and Cancelled instead of
    opening it once the switch is thrown.
    """

    def __init__(
        self, slot: Slot, open_slot: Opener, policy: Policy, record: ChipRecord | None = None
    ) -> None:
        self.slot = slot
        self.record = record or unreached(slot)
        self.where = f"slot {slot.name}"
        self.losses = policy.losses
        self._open_slot = open_slot
        self._policy = policy
        self._met = policy.met
        self._session: BoardSession | None = None
        self._selected = ""
        self._remarks: list[str] = []
        self._long_windows = MAX_LONG_WINDOWS

    def run(self, case: Case, retry: RetryPolicy) -> TableRun:
        """Run a table; if its link is lost, run it again from its start, while losses are left.

        Runs that were complete before the link was lost are judged with the later ones.
        Errors during the table are in the result; only a board that cannot be reached to begin
        with raises.
        """
        ran = self._examined(case, retry)
        if self.losses > 0 and isinstance(ran.lost, BoardLost | BoardSilent):
            self._lost(ran.lost, f"{case.design.name}/{case.spec.name}")
            gone = within(self.where, self._reopen, lambda error: error)
            if gone is not None:
                return replace(ran, gone=gone)
            ran = self._examined(case, retry, ran.complete)
            summary = f"{ran.outcome.summary} {AGAIN}"
            ran = replace(ran, outcome=replace(ran.outcome, summary=summary))
        if ran.broken is not None:
            self.close()
            self.losses -= 1
        return ran

    def measured(self, case: Case) -> Outcome:
        """Run a table; raises what ended it early."""
        ran = self.run(case, RetryPolicy())
        if (ended := ran.gone or ran.broken) is not None:
            raise ended
        return ran.outcome

    def once(self, work: Callable[[BoardSession], Done]) -> Done:
        """Do other work on the board, that a lost link must end: what the chip held is lost too."""
        session = self._open()
        self._selected = ""
        return work(session)

    def again(self, work: Callable[[BoardSession], Done]) -> Done:
        """Do other work on the board; if the link is lost, do it again from its start."""
        self._open()
        try:
            return self.once(work)
        except (BoardLost, BoardSilent) as error:
            self._lost(error, "")
            self._remarks.append(DONE_AGAIN)
        return work(self._open())

    def introduce(self) -> BoardIdentity:
        """Accept the board that is there as the slot's board; returns its identity."""
        met, self._met = self._met, self._met and self._session is not None
        try:
            return self._open().identity
        finally:
            self._met = self._met or met

    def remarks(self) -> tuple[str, ...]:
        """Take the remarks about the link since the last call."""
        remarks, self._remarks = tuple(self._remarks), []
        return remarks

    def close(self) -> None:
        """Leave the board as it was found."""
        session, self._session = self._session, None
        if session is not None:
            self._policy.stop.forget(session)
            leave(self.where, session.close)

    def _examined(
        self, case: Case, retry: RetryPolicy, before: tuple[Capture, ...] = ()
    ) -> TableRun:
        """Select the design and examine; what goes wrong is an ERROR of the table."""
        session, began = self._open(), datetime.now(UTC)
        own = replace(case, board_serial=self.record.board_serial)

        def work() -> Examination:
            if self._selected != own.design.name:
                self._selected = ""  # a refused selection may be half done
                session.select(own.design)
                self._selected = own.design.name
            started = TableStarted(
                self.slot.name, own.design.name, own.spec.name, own.pattern.cycles
            )
            self._policy.observe(started)
            cycles = MAX_READ if self._long_windows else 0
            return examine(session, own, retry, cycles=cycles, before=before)

        def broken(error: HarnessError) -> Examination:
            return Examination(unusable(own, error, began), error)

        examined = within(self.where, work, broken)
        window = examined.outcome.long_window
        if self._long_windows and window is not None and window.cycles > DRAWN:
            self._long_windows -= 1
        return TableRun(**vars(examined))

    def _lost(self, error: LinkError, where: str) -> None:
        self.close()
        self.losses -= 1
        self._say(self._policy.lost.format(where=where, error=error))

    def _reopen(self) -> None:
        self._open()

    def _open(self) -> BoardSession:
        """Return the open session, or open one with the slot's board."""
        if self._session is None:
            if self._policy.stop.stopped:
                raise Cancelled("stopped")
            slot, port = self.slot, self.record.port
            self._policy.observe(SlotConnecting(slot.name, slot.chip, port, self._policy.tables))
            self._session = self._reached()
            self._selected = ""
            self._policy.stop.watch(self._session)
            self._welcome(self._session.identity)
        return self._session

    def _welcome(self, who: BoardIdentity) -> None:
        """Check that this is the slot's board; keep its identity."""
        policy, before = self._policy, self.record.board_serial if self._met else ""
        expected = policy.must_be or before
        if expected and who.board_serial.casefold() != expected.casefold():
            self.close()
            reported = f"the board reports {who.board_serial or 'no serial number'}"
            if policy.must_be:
                reported += f", the rack file says {policy.must_be}"
                raise BoardMisbehaved(f"{reported}; {WRONG_BOARD}")
            raise BoardMisbehaved(f"{reported}, before it was {before}; {policy.exchanged}")
        self.record, self._met = replace(self.record, **vars(who)), True
        policy.keep(replace(self.record, outcomes=()))

    def _reached(self) -> BoardSession:
        """Open a session.

        A board that is absent, loses its link or shows no prompt has ``patience_s`` to recover; a
        silent board's power is cycled once. A board of this computer that answered before may be
        at another port by now.
        """
        slot = replace(self.slot, board=self.record.board_serial) if self._met else self.slot
        cycle = slot.power_cycle
        try:
            return self._within(slot, slot.patience_s)
        except BoardSilent as error:
            if cycle is None:
                raise error.more(POWER_ADVICE) from error
            did = self._cycle(cycle, error)
        try:
            return self._within(replace(slot, power_cycle=None), cycle.wait_s)
        except LinkError as error:
            raise error.more(f"{did} before") from error

    def _cycle(self, cycle: PowerCycle, error: BoardSilent) -> str:
        slot = self.slot
        words = {"slot": slot.name, "board": slot.board, "port": slot.port, **self._policy.names}
        self._say(f"the board hangs ({error}); cycling its power")
        try:
            did = cycle_power(cycle, words)
        except BoardSilent as failed:
            raise error.more(str(failed)) from failed
        self._say(did)
        self._remarks.append(f"The board did not answer, so {did}.")
        return did

    def _within(self, slot: Slot, seconds: float) -> BoardSession:
        """Try until it works or the time is over; a board that hangs is not waited for."""
        end, announced = time.monotonic() + seconds, False
        place = at_its_port(slot) if self._met else slot
        while True:
            try:
                return self._open_slot(place)
            except HostMisuse:
                raise
            except LinkError as error:
                hangs = isinstance(error, BoardSilent) and slot.power_cycle is not None
                if hangs or time.monotonic() >= end:
                    raise
                if not announced:
                    self._say(f"{error}; trying for {seconds:g} s")
                announced = True
            if self._policy.stop.stopped:
                raise Cancelled("stopped")
            time.sleep(RETRY_SECONDS)
            place = at_its_port(slot)

    def _say(self, text: str) -> None:
        self._policy.observe(SlotRecovering(self.slot.name, text))


def board_opener(
    rack: Rack, ports: Mapping[str, str], locks: Locks, observe: Observer = unobserved
) -> Opener:
    """Make the opener of sessions: ``ports`` are those of virtual boards, any other is locked.

    ``observe`` hears how far long tables are.
    """
    simulated = replace(rack.profile, backend="virtual")

    def open_slot(slot: Slot) -> BoardSession:
        heard = cycles_done(slot.name, observe)
        if slot.name in ports:
            session = open_session(ports[slot.name], simulated, rack.shuttle, heard=heard)
            return ModelledSession(session)
        port = slot.port or find_port(slot.board)
        locks.seat(slot.name, port)
        return open_session(port, rack.profile, rack.shuttle, heard=heard)

    return open_slot

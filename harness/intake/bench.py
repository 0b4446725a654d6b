"""The work of an intake on one slot: who the board is, its pins, its tables.

One rule: every outcome is in the store before the next table begins, and a table that has its
outcome there is not run again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from harness.intake.machine import Worked
from harness.intake.model import BAD_PINS, PinFinding, PinState, Result
from harness.intake.order import Chosen
from harness.intake.pins import check_pins
from harness.judge import Case, ChipRecord, RetryPolicy, Verdict, examine, not_run
from harness.rack import BoardSession, Opener, Rack, Slot
from harness.store import Store

Say = Callable[[str], None]

_GOOD = {Verdict.PASS, Verdict.WAIVED}


@dataclass
class Bench:
    """One slot at work. ``open_slot`` and every method that asks the board raise LinkError."""

    rack: Rack
    slot: Slot
    run_id: str
    store: Store
    open_slot: Opener
    say: Say
    _session: BoardSession | None = field(default=None, init=False)

    def close(self) -> None:
        """Leave the board as it was found."""
        session, self._session = self._session, None
        if session is not None:
            session.close()

    def identify(self) -> Worked:
        """Ask the board for its serial number and compare it with the rack file's."""
        told = self._open().identity.board_serial
        wanted = self.slot.board
        if wanted and told != wanted:
            why = f"the board says it is {told or 'nobody'}, the rack file says {wanted}"
            return Worked(Result.FAILED, why, now())
        return Worked(Result.DONE, told or "the board has no serial number", now())

    def check_pins(self, tables: tuple[Chosen, ...]) -> Worked:
        """Check every pin; done only if none is open, stuck or shorted."""
        found = check_pins(self._open(), self.rack.shuttle, tables)
        for pin in found:
            if pin.state is not PinState.REACHED:
                self.say(f"  {pin.pin}: {pin.state}, {pin.text}")
        bad = [pin for pin in found if pin.state in BAD_PINS]
        result = Result.FAILED if bad else Result.DONE
        return Worked(result, pins_text(found), now(), found)

    def run_tables(self, tables: tuple[Chosen, ...], choice: str) -> Worked:
        """Run the tables that have no outcome yet; ``choice`` is ``stop`` or ``continue``."""
        session = self._open()
        record = self._recorded(session)
        done = {(o.design, o.table): o.verdict for o in record.outcomes}
        stopped = ""
        selected = ""
        for design, spec, pattern in tables:
            key = (design.name, spec.name)
            if done.get(key, Verdict.NOT_RUN) is not Verdict.NOT_RUN:
                continue
            case = self._case((design, spec, pattern), record.board_serial)
            if stopped:
                self.store.record_outcome(self.run_id, not_run(case, stopped, datetime.now(UTC)))
                done[key] = Verdict.NOT_RUN
                continue
            if selected != design.name:
                session.select(design)
                selected = design.name
            found = examine(session, case, RetryPolicy())
            if found.lost is not None:
                raise found.lost
            outcome = found.outcome
            self.store.record_outcome(self.run_id, outcome)
            done[key] = outcome.verdict
            self.say(f"  {design.name} / {spec.name}: {outcome.verdict}")
            if outcome.verdict not in _GOOD:
                self.say(f"    {outcome.summary}")
                stopped = "stopped early, as chosen" if choice == "stop" else ""
        passed = sum(verdict in _GOOD for verdict in done.values())
        told = f"{passed} of {len(tables)} passed"
        return Worked(Result.DONE if passed == len(tables) else Result.FAILED, told, now())

    def record(self) -> ChipRecord:
        """What the store holds of the chip, as far as it came."""
        chips = {chip.slot: chip for chip in self.store.run(self.run_id).chips}
        if self.slot.name not in chips:
            self.store.record_chip(self.run_id, blank(self.slot))
            return blank(self.slot)
        return chips[self.slot.name]

    def _recorded(self, session: BoardSession) -> ChipRecord:
        """Keep who answered; the outcomes of an earlier sitting stay."""
        who = session.identity
        record = replace(
            self.record(),
            board_serial=who.board_serial,
            agent_version=who.agent_version,
            interpreter=who.interpreter,
            backend=who.backend,
            exact=who.exact,
        )
        self.store.record_chip(self.run_id, replace(record, outcomes=()))
        return record

    def _open(self) -> BoardSession:
        if self._session is None:
            self._session = self.open_slot(self.slot)
            self._recorded(self._session)
        return self._session

    def _case(self, chosen: Chosen, board: str) -> Case:
        design, spec, pattern = chosen
        shuttle = self.rack.shuttle
        return Case(self.slot.name, self.slot.chip, board, shuttle, design, spec, pattern)


def blank(slot: Slot) -> ChipRecord:
    """Make the record of a chip whose board nobody has asked yet."""
    return ChipRecord(
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


def pins_text(found: tuple[PinFinding, ...]) -> str:
    """``26 of 26 pins reach the chip``, or which ones do not."""
    reached = sum(pin.state is PinState.REACHED for pin in found)
    bad = [f"{pin.pin} {pin.state}" for pin in found if pin.state in BAD_PINS]
    head = f"{reached} of {len(found)} pins reach the chip"
    return f"{head}; {', '.join(bad)}; seat the chip again and repeat the intake" if bad else head


def now() -> str:
    """The time as a journal keeps it."""
    return datetime.now(UTC).isoformat(timespec="seconds")

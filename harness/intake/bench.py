"""The work of an intake on one slot: the board's identity, its pins, its tables.

One rule: every outcome is in the store before the next table begins, and a table with an outcome
there is not run again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

from harness.blame import board_causes
from harness.intake.order import IntakePlan
from harness.intake.progress import Lost, Measured, Worked
from harness.intake.steps import Result
from harness.intake.tables import MOVED, Key, TableStep, key_of
from harness.judge import Case, not_run
from harness.rack import (
    AGAIN,
    Event,
    Job,
    Opener,
    Policy,
    Rack,
    Slot,
    SlotRecovering,
    Station,
    cases,
)
from harness.records import (
    ChipRecord,
    PinProof,
    PinState,
    Reason,
    RunRecord,
    SlotPins,
)
from harness.store import Store
from harness.virtual import seat_virtual_chip


@dataclass(frozen=True)
class IntakeMeans:
    """What all slots of an intake have in common.

    ``names`` holds, by slot, the placeholders of the command that cycles a board's power. ``say``
    shows a line to the person. ``settle`` evaluates a run: verdicts, causes, pins.
    """

    rack: Rack
    plan: IntakePlan
    run_id: str
    store: Store
    open_slot: Opener
    names: Mapping[str, Mapping[str, str]]
    say: Callable[[str], None]
    settle: Callable[[RunRecord], RunRecord]


class Bench:
    """One slot at work, and its record in the store. Methods that use the board raise LinkError."""

    def __init__(self, slot: Slot, means: IntakeMeans) -> None:
        self._slot = slot
        self._means = means
        self._names = means.names.get(slot.name, {})
        known = self._stored()
        policy = Policy(
            observe=self._hear,
            keep=partial(means.store.record_chip, means.run_id),
            names=self._names,
            met=known is not None and bool(known.agent_version),
            exchanged="plug every board in where it was",
        )
        self.station = Station(slot, means.open_slot, policy, known)
        self._seatings = 0
        self._measured: dict[int, set[Key]] = {}

    def measure(self) -> Measured | Lost:
        """Measure the supply current; if the board has no reading, the person is asked."""
        current = self.station.again(lambda session: session.supply_ma())
        if current is None:
            return Lost("the board's sensor gives no reading", now())
        return Measured(current, now(), " ".join(self.station.remarks()))

    def identify(self) -> Worked:
        """Ask the board for its serial number and compare it with the rack file."""
        serial, expected = self.station.introduce().board_serial, self._slot.board
        if expected and serial.casefold() != expected.casefold():
            self.station.close()
            reported = serial or "no serial number"
            why = f"the board reports {reported}, the rack file says {expected}"
            return Worked(Result.FAILED, why, now())
        text = serial or "the board has no serial number"
        return Worked(Result.DONE, self._with_remarks(text), now())

    def check_pins(self) -> Worked:
        """Run the continuity test; the step is done only if nothing of the board is suspected.

        After that the board is closed, because it may be unplugged next.
        """
        means = self._means
        test, _ = means.plan.test.of_slot(means.rack, self._slot)
        outcomes = tuple(map(self.station.measured, self._cases(means.plan.pins)))
        found = means.settle(self._alone(replace(test, extras=outcomes)))
        (proven,) = found.continuity
        means.store.record_continuity(means.run_id, proven)
        suspected = board_causes(found.causes)
        for cause in suspected:
            means.say(f"  {cause.summary} {cause.advice}".rstrip())
        unproven = [pin.pin for pin in proven.pins if pin.state is PinState.NOT_PROVEN]
        if unproven and not suspected:
            means.say(f"  not proven by any table: {', '.join(unproven)}")
        if suspected:
            self.station.close()
        result = Result.FAILED if suspected else Result.DONE
        again = any(AGAIN in outcome.summary for outcome in outcomes)
        text = f"{pins_text(proven.pins)}. {AGAIN}" if again else pins_text(proven.pins)
        return Worked(result, self._with_remarks(text), now(), proven.pins)

    def _alone(self, test: SlotPins) -> RunRecord:
        """This chip's run with the continuity test alone."""
        run = self._means.store.run(self._means.run_id)
        chip = replace(self.record(), outcomes=())
        return replace(run, chips=(chip,), causes=(), continuity=(test,))

    def run_tables(self, choice: str, attempt: int) -> Worked | str:
        """Run the tables without an outcome; a later attempt repeats those that are ERROR.

        ``choice`` is what follows a table that does not pass: ``stop`` or ``continue``. If it is
        empty, a text about that table is returned at once.
        """
        keep = partial(self._means.store.record_outcome, self._means.run_id)
        cases = self._cases(self._means.plan.tables)
        step = TableStep(self.station, cases, self.record().outcomes, choice, keep, self._means.say)
        fresh = self._measured.setdefault(attempt, set())
        try:
            halted = step.run({key_of(case) for case in step.cases} - fresh if attempt else ())
        finally:
            fresh |= step.measured
        if halted is not None:
            return halted
        step.know(self._settled().outcomes)
        return Worked(step.result, self._with_remarks(step.text), now(), left=step.left)

    def _settled(self) -> ChipRecord:
        """Settle this chip with all that the intake knows, and keep what concerns its slot."""
        means, slot = self._means, self._slot.name
        before = means.store.run(means.run_id)
        found = means.settle(before)
        (chip,) = (chip for chip in found.chips if chip.slot == slot)
        means.store.record_outcomes(means.run_id, chip.outcomes)
        others = tuple(cause for cause in before.causes if slot not in cause.slots)
        mine = tuple(cause for cause in found.causes if slot in cause.slots)
        means.store.record_causes(means.run_id, (*others, *mine))
        for pins in found.continuity:
            if pins.slot == slot:
                means.store.record_continuity(means.run_id, pins)
        return chip

    def moved(self, seatings: int) -> None:
        """Note that the chip was off its board: tables that passed must run again.

        Until then their outcome in the store is NOT RUN. FAIL and UNSTABLE stand.
        """
        passed = {(o.design, o.table) for o in self.record().outcomes if o.verdict.good}
        for case in self._cases(self._means.plan.tables):
            if key_of(case) in passed:
                again = not_run(case, Reason.CHIP_MOVED, MOVED, datetime.now(UTC))
                self._means.store.record_outcome(self._means.run_id, again)
        self.sits(seatings)

    def sits(self, seatings: int) -> None:
        """Seat a virtual chip correctly once it has been reseated.

        As with a real chip, the board is closed first.
        """
        if seatings > self._seatings:
            self.station.close()
            if self._slot.virtual:
                seat_virtual_chip(self._names["switch"])
            self._seatings = seatings

    def record(self) -> ChipRecord:
        """The chip's record in the store, as far as the intake got."""
        known = self._stored()
        if known is None:
            known = self.station.record
            self._means.store.record_chip(self._means.run_id, known)
        return known

    def _stored(self) -> ChipRecord | None:
        chips = self._means.store.run(self._means.run_id).chips
        return next((chip for chip in chips if chip.slot == self._slot.name), None)

    def _cases(self, jobs: Sequence[Job]) -> tuple[Case, ...]:
        """Tables as cases of this chip on the board that answered."""
        seated = replace(self._slot, board=self.station.record.board_serial)
        return cases(self._means.rack, seated, jobs)

    def _hear(self, event: Event) -> None:
        if isinstance(event, SlotRecovering):
            self._means.say(f"  {event.text[:1].upper()}{event.text[1:]}.")

    def _with_remarks(self, text: str) -> str:
        remarks = self.station.remarks()
        return " ".join((f"{text}.", *remarks)) if remarks else text


def pins_text(pins: tuple[PinProof, ...]) -> str:
    """``26 of 26 pins reach the chip``, or which ones may not."""
    proven = sum(pin.state is PinState.PROVEN for pin in pins)
    bad = [pin.pin for pin in pins if pin.state is PinState.SUSPECTED]
    if bad:
        return f"suspected: {', '.join(bad)}; {proven} of {len(pins)} pins proven"
    return f"{proven} of {len(pins)} pins reach the chip"


def now() -> str:
    """The time in the format of a journal."""
    return datetime.now(UTC).isoformat(timespec="seconds")

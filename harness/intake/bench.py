"""The work of an intake on one slot: who the board is, its pins, its tables.

One rule: every outcome is in the store before the next table begins, and a table that has its
outcome there is not run again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeVar

from harness.errors import BoardLost, BoardSilent
from harness.intake.model import BAD_PINS, PinFinding, PinState, Result
from harness.intake.order import Plan
from harness.intake.pins import check_pins
from harness.intake.progress import Lost, Measured, Worked
from harness.intake.seat import Seat
from harness.intake.tables import Key, TableRun, forget_passes
from harness.rack import BoardSession

Found = TypeVar("Found")


@dataclass
class Bench:
    """One slot at work. Every method that asks the board raises LinkError."""

    seat: Seat
    plan: Plan
    _seatings: int = field(default=0, init=False)
    _measured: dict[int, set[Key]] = field(default_factory=dict, init=False)

    def measure(self) -> Measured | Lost:
        """Ask the board what the chip draws; a board that cannot tell is left to the person."""
        current = self._steadily(lambda session: session.supply_ma())
        if current is None:
            return Lost("the board's sensor gives no reading", now())
        return Measured(current, now(), " ".join(self.seat.remarks()))

    def identify(self) -> Worked:
        """Ask the board for its serial number and compare it with the rack file's."""
        told = self.seat.introduced().identity.board_serial
        wanted = self.seat.slot.board
        if wanted and told.casefold() != wanted.casefold():
            self.seat.close()
            why = f"the board says it is {told or 'nobody'}, the rack file says {wanted}"
            return Worked(Result.FAILED, why, now())
        who = told or "the board has no serial number"
        return Worked(Result.DONE, self._with_remarks(who), now())

    def check_pins(self) -> Worked:
        """Check every pin; done only if none is open, stuck or shorted.

        A board with a bad pin is left alone afterwards: somebody may unplug it.
        """
        shuttle = self.seat.rack.shuttle
        found = self._steadily(lambda session: check_pins(session, shuttle, self.plan.pins))
        bad = [pin for pin in found if pin.state in BAD_PINS]
        for pin in bad:
            self.seat.say(f"  {pin.pin}: {pin.state}, {pin.text}")
        unproven = [pin.pin for pin in found if pin.state is PinState.NOT_PROVEN]
        if unproven:
            self.seat.say(f"  not proven, for no table shows it: {', '.join(unproven)}")
        if bad:
            self.seat.close()
        result = Result.FAILED if bad else Result.DONE
        return Worked(result, self._with_remarks(pins_text(found)), now(), found)

    def run_tables(self, choice: str, attempt: int) -> Worked | str:
        """Run the tables without an outcome; in a later attempt also what could not be tested.

        ``choice`` says what a table that does not pass leads to: ``stop``, ``continue``, or, if
        empty, a text about it that is returned at once.
        """
        every = {(design.name, spec.name) for design, spec, _ in self.plan.tables}
        fresh = self._measured.setdefault(attempt, set())
        retried = frozenset(every - fresh if attempt else ())
        run = TableRun(self.seat, self.plan.tables, choice, retried)
        try:
            told = run.run()
        finally:
            fresh |= run.measured
        if told is not None:
            return told
        return Worked(run.result, self._with_remarks(run.text), now(), left=run.left)

    def moved(self, seatings: int) -> None:
        """Take it that the chip was off its board: what passed before is to be run again."""
        forget_passes(self.seat, self.plan.tables)
        self.sits(seatings)

    def sits(self, seatings: int) -> None:
        """Let a virtual chip sit as it should, if somebody may have seated it so often."""
        if seatings > self._seatings:
            self.seat.reseated()
            self._seatings = seatings

    def _steadily(self, work: Callable[[BoardSession], Found]) -> Found:
        """Do work on the board, once more from its start if the link is lost in it."""
        session = self.seat.session()
        try:
            return work(session)
        except (BoardLost, BoardSilent) as error:
            self.seat.lost(error)
        return work(self.seat.session())

    def _with_remarks(self, text: str) -> str:
        remarks = self.seat.remarks()
        return " ".join((f"{text}.", *remarks)) if remarks else text


def pins_text(found: tuple[PinFinding, ...]) -> str:
    """``26 of 26 pins reach the chip``, or which ones do not."""
    reached = sum(pin.state is PinState.REACHED for pin in found)
    bad = [f"{pin.pin} {pin.state}" for pin in found if pin.state in BAD_PINS]
    head = f"{reached} of {len(found)} pins reach the chip"
    return f"{head}; {', '.join(bad)}" if bad else head


def now() -> str:
    """The time as a journal keeps it."""
    return datetime.now(UTC).isoformat(timespec="seconds")

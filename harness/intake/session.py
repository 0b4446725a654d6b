"""The guided session: asks the machine's questions and does its work, chip by chip.

One rule: an answer is in the journal before anything else happens, so that a session resumes where
it stopped, however it ended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

from harness.errors import Cancelled, HarnessError
from harness.intake.asking import Ask, upcoming
from harness.intake.bench import Bench, IntakeMeans, now
from harness.intake.journal import Journal
from harness.intake.machine import advance
from harness.intake.order import without_intake
from harness.intake.progress import Event, Halted, Lost, Progress, Replied, Signed, TakenUp
from harness.intake.record import ChipIntake
from harness.intake.steps import (
    GENERAL_HELP,
    Result,
    StepKind,
    StepResult,
    numbered,
    title_of,
)
from harness.rack import Rack, Slot, within
from harness.records import ChipRecord, RunRecord

MAX_WRONG_ANSWERS = 20
"""Number of unusable answers in a row that end the sitting: no person is reading."""

LEFT = "no answer"

Hasher = Callable[[RunRecord, ChipRecord], str]
"""Returns the SHA-256 of a chip's report as written."""


class Questioner(Protocol):
    """Shows questions and returns answers."""

    def say(self, text: str) -> None:
        """Show a line."""

    def ask(self, prompt: str, hint: str) -> str:
        """Ask a question; raises KeyboardInterrupt or EOFError when the person leaves."""


@dataclass(frozen=True)
class Intake:
    """An intake of the slots of a rack, one after the other.

    ``by`` is who answers in this sitting. ``choice`` is what follows a table that does not pass:
    ``stop``, ``continue``, or empty to ask.
    """

    means: IntakeMeans
    journal: Journal
    by: str
    terminal: Questioner
    choice: str = ""

    def chips(self, report_hash: Hasher) -> Iterator[ChipIntake | Slot]:
        """Guide through every chip; yields each as soon as its intake is over.

        A chip that is put aside is offered again after the others, once; if it is put aside again,
        its slot is given instead. Raises KeyboardInterrupt or Cancelled when the person leaves,
        Cancelled also after :data:`MAX_WRONG_ANSWERS` unusable answers in a row, and StoreError if
        an answer cannot be kept.
        """
        self._welcome()
        waiting = [slot for slot in self.means.rack.slots if self._was_aside(slot)]
        for slot in [slot for slot in self.means.rack.slots if slot not in waiting]:
            done = self._attempt(slot, report_hash)
            if done is None:
                waiting.append(slot)
            else:
                yield done
        if waiting:
            self.terminal.say("\nNow the chips that were put aside.")
        for slot in waiting:
            yield self._attempt(slot, report_hash) or slot

    def _welcome(self) -> None:
        self.terminal.say(GENERAL_HELP)
        uncovered = without_intake(self.means.rack.shuttle)
        if uncovered:
            self.terminal.say(f"Designs without an intake table: {', '.join(uncovered)}.")

    def _was_aside(self, slot: Slot) -> bool:
        return within(_where(slot), lambda: self._resumed(slot).aside, lambda _: False)

    def _attempt(self, slot: Slot, report_hash: Hasher) -> ChipIntake | None:
        """Guide through one chip; it is put aside if its slot breaks down."""

        def aside(error: HarnessError) -> None:
            self.terminal.say(f"  {slot.chip} is put aside: {error}.")

        return within(_where(slot), lambda: self._chip(slot, report_hash), aside)

    def _chip(self, slot: Slot, report_hash: Hasher) -> ChipIntake | None:
        """Guide through one chip; None if it was put aside."""
        place = f"{self.means.rack.slots.index(slot) + 1} of {len(self.means.rack.slots)}"
        self.terminal.say("")
        self.terminal.say(
            f"Chip {place}: {slot.chip}, slot {slot.name}, board {slot.board or 'any'}"
        )
        bench = Bench(slot, self.means)
        with closing(bench.station):
            before = self._taken_up(slot)
            progress = self._go(slot, before, bench)
        if before.step is not None and progress.powered:
            caution = f"Switch off and unplug the board before you take {slot.chip} out."
            self.terminal.say(f"  {caution}")
        if progress.aside:
            self.terminal.say(f"  {slot.chip} is put aside; its answers are kept.")
            return None
        return self._finished(progress, bench, report_hash)

    def _finished(self, progress: Progress, bench: Bench, report_hash: Hasher) -> ChipIntake:
        """Put a chip's results together; the same each time."""
        chip = bench.record()
        run = replace(self.means.store.run(self.journal.head.run), finished=None)
        return ChipIntake(
            run=run,
            chip=chip,
            by=progress.by,
            at=datetime.fromisoformat(progress.results[-1].at),
            results=progress.results,
            pins=progress.pins,
            report_sha256=report_hash(run, chip),
            earlier=progress.earlier,
            uncovered=without_intake(self.means.rack.shuttle),
        )

    def _resumed(self, slot: Slot) -> Progress:
        """Replay the journal."""
        rack = self.means.rack
        progress = Progress(
            chip=slot.chip,
            serials=rack.shuttle.chip_serial,
            limit_ma=rack.profile.supply_limit_ma,
            sensor=_has_sensor(rack, slot),
            choice=self.choice,
        )
        for event in self.journal.events(slot.name):
            progress = advance(progress, event)
        return progress

    def _taken_up(self, slot: Slot) -> Progress:
        """Show a chip's results so far, and note that it is resumed."""
        progress = self._resumed(slot)
        if progress.step is None:
            self.terminal.say("  Already done.")
            return progress
        for result in progress.results:
            self._tell(result)
        if progress.failed is not None:
            self._tell(progress.failed)
        if progress.by:
            taken = TakenUp(now())
            self.journal.record(slot.name, taken)
            progress = advance(progress, taken)
        return progress

    def _go(self, slot: Slot, progress: Progress, bench: Bench) -> Progress:
        """Ask and work until nothing is left; the first answer is signed."""
        bench.sits(progress.seatings)
        unsigned: tuple[Event, ...] = (Signed(self.by, now()),)
        wrong = 0
        while progress.step is not None and not progress.aside:
            ahead = upcoming(progress)
            event = self._ask(ahead) if ahead is not None else self._work(progress, bench)
            known = {*progress.results, *progress.kept, progress.failed}
            for happened in (*unsigned, event):
                progress = self._took(slot, progress, happened, bench)
            unsigned = ()
            for result in (*progress.results, progress.failed):
                if result is not None and result not in known and _is_news(event, result):
                    self._tell(result)
            wrong = wrong + 1 if progress.complaint else 0
            if wrong == MAX_WRONG_ANSWERS:
                self.terminal.say(f"  {progress.complaint}")
                raise Cancelled(LEFT)
        return progress

    def _took(self, slot: Slot, progress: Progress, event: Event, bench: Bench) -> Progress:
        """Keep an event and apply it.

        If the chip was moved, its tables are reset before that answer is kept: after a crash in
        between, too many tables run again, never too few.
        """
        ahead = advance(progress, event)
        if ahead.seatings > progress.seatings:
            bench.moved(ahead.seatings)
        self.journal.record(slot.name, event)
        return ahead

    def _ask(self, ahead: Ask) -> Replied:
        for note in ahead.notes:
            self.terminal.say(f"  - {note}")
        if ahead.complaint:
            self.terminal.say(f"  {ahead.complaint}")
        try:
            return Replied(self.terminal.ask(ahead.prompt, ahead.hint), now())
        except EOFError as error:
            raise Cancelled(LEFT) from error

    def _work(self, progress: Progress, bench: Bench) -> Event:
        """Do a step's work; a board that cannot be reached is an event like any other."""

        def lost(error: HarnessError) -> Lost:
            bench.station.close()
            bench.station.remarks()  # they are part of the reason already
            self.terminal.say(f"  The board could not be used: {error}.")
            return Lost(str(error), now())

        return within(bench.station.where, lambda: self._done(progress, bench), lost)

    def _done(self, progress: Progress, bench: Bench) -> Event:
        step = progress.step
        assert step is not None
        if step.kind is StepKind.WORK:
            self.terminal.say(f"  {numbered(step)} …")
        if step.key == "current":
            return bench.measure()
        if step.key == "board":
            return bench.identify()
        if step.key == "pins":
            return bench.check_pins()
        outcome = bench.run_tables(progress.choice, progress.tries)
        return Halted(outcome, now()) if isinstance(outcome, str) else outcome

    def _tell(self, result: StepResult) -> None:
        self.terminal.say(f"  {title_of(result.key)}: {result.result}, {result.text}")


def _where(slot: Slot) -> str:
    return f"slot {slot.name}"


def _is_news(event: Event, result: StepResult) -> bool:
    """Whether the person did not just type it."""
    return not isinstance(event, Replied) or result.result is not Result.DONE


def _has_sensor(rack: Rack, slot: Slot) -> bool:
    """Whether the slot's board measures the supply current; a virtual one needs a value."""
    measured = not slot.virtual or slot.supply_ma is not None
    return rack.profile.supply_sensor is not None and measured

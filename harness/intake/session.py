"""The guided session: slot by slot, puts the machine's questions and does its work.

One rule: an answer is in the journal before anything else happens, so that whatever ends the
session, it goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from harness.errors import LinkError
from harness.intake.bench import Bench, now
from harness.intake.journal import Journal
from harness.intake.machine import (
    Ask,
    Over,
    Progress,
    Replied,
    Work,
    Worked,
    advance,
    interrupted,
    upcoming,
)
from harness.intake.model import ChipIntake, Result, Step, StepResult, title_of
from harness.intake.order import intake_tables, pin_tables, without_intake
from harness.rack import Opener, Rack, Slot
from harness.store import ChipRecord, RunRecord, Store

Hasher = Callable[[RunRecord, ChipRecord], str]
"""Gives the SHA-256 of a chip's report as it is written."""


class Terminal(Protocol):
    """Where questions are put and answers come from."""

    def say(self, text: str) -> None:
        """Show a line."""
        ...

    def ask(self, prompt: str, hint: str) -> str:
        """Put a question; raises KeyboardInterrupt or EOFError when the person leaves."""
        ...


@dataclass(frozen=True)
class Intake:
    """An intake of the slots of a rack, one after the other."""

    rack: Rack
    slots: tuple[Slot, ...]
    journal: Journal
    store: Store
    open_slot: Opener
    terminal: Terminal

    def chips(self, report_hash: Hasher) -> Iterator[ChipIntake]:
        """Guide through every chip; gives each as soon as its intake is over.

        Raises what the terminal raises when the person leaves, StoreError if an answer cannot
        be kept, and InputError for tables that cannot be read.
        """
        self._warn_of_gaps()
        for slot in self.slots:
            yield self._chip(slot, report_hash)

    def _warn_of_gaps(self) -> None:
        lost = without_intake(self.rack.shuttle)
        if lost:
            self.terminal.say(f"No intake table covers: {', '.join(lost)}.")

    def _chip(self, slot: Slot, report_hash: Hasher) -> ChipIntake:
        head = self.journal.head
        self.terminal.say("")
        self.terminal.say(f"Slot {slot.name}: chip {slot.chip}, board {slot.board or 'any'}")
        run_id = str(head["run"])
        bench = Bench(self.rack, slot, run_id, self.store, self.open_slot, self.terminal.say)
        try:
            progress = self._go(slot, self._resumed(slot), bench)
        finally:
            bench.close()
        chip = bench.record()
        run = self.store.run(run_id)
        return ChipIntake(
            run=run,
            chip=chip,
            by=str(head["by"]),
            at=datetime.now(UTC),
            results=progress.results,
            pins=progress.pins,
            report_sha256=report_hash(run, chip),
        )

    def _resumed(self, slot: Slot) -> Progress:
        """Take in again what the journal holds; work that was under way is offered anew."""
        rack = self.rack
        progress = Progress(slot.chip, rack.shuttle.chip_serial, rack.profile.supply_limit_ma)
        for event in self.journal.events(slot.name):
            progress = advance(progress, event)
        for result in progress.results:
            self._tell(result)
        return interrupted(progress)

    def _go(self, slot: Slot, progress: Progress, bench: Bench) -> Progress:
        while not isinstance(ahead := upcoming(progress), Over):
            if isinstance(ahead, Ask):
                event: Replied | Worked = self._ask(ahead)
            else:
                done = self._work(ahead, progress, bench)
                if done is None:
                    progress = interrupted(progress)
                    continue
                event = done
            self.journal.record(slot.name, event)
            before = len(progress.results)
            progress = advance(progress, event)
            for result in progress.results[before:]:
                if isinstance(event, Worked) or result.result is not Result.DONE:
                    self._tell(result)
        return progress

    def _ask(self, ahead: Ask) -> Replied:
        for note in ahead.notes:
            self.terminal.say(f"  - {note}")
        if ahead.complaint:
            self.terminal.say(f"  {ahead.complaint}")
        text = self.terminal.ask(ahead.prompt, ahead.hint)
        return Replied(text, now())

    def _work(self, ahead: Work, progress: Progress, bench: Bench) -> Worked | None:
        """Do a step's work; None if the board could not be talked to."""
        try:
            return self._done(ahead.step, progress, bench)
        except LinkError as error:
            self.terminal.say(f"  The board could not be used: {error}")
            bench.close()
            return None

    def _done(self, step: Step, progress: Progress, bench: Bench) -> Worked:
        if step.key == "board":
            return bench.identify()
        if step.key == "pins":
            return bench.check_pins(pin_tables(self.rack.shuttle))
        tables = intake_tables(self.rack.shuttle)
        return bench.run_tables(tables, progress.answer_to("choice"))

    def _tell(self, result: StepResult) -> None:
        self.terminal.say(f"  {title_of(result.key)}: {result.result}, {result.text}")

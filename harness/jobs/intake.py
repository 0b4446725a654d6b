"""A sitting in which new chips are checked before they are handed out, and its cards.

One rule: earlier answers are continued only with the files they were given for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from harness.door import whole_path
from harness.errors import Cancelled, ConfigError, InputError, StoreError
from harness.intake import (
    MAX_WRONG_ANSWERS,
    ChipIntake,
    Intake,
    IntakeMeans,
    IntakePlan,
    Journal,
    JournalHeading,
    Left,
    Questioner,
    begin,
    changed_error,
    check_store,
    files_of,
    find_left,
    give_up,
    load_plan,
    lock_names,
    overlapping,
    read_journals,
)
from harness.jobs.beyond import run_folder
from harness.jobs.choices import RUNS, STORE, OnFailure
from harness.jobs.run import new_run
from harness.jobs.settle import Evaluator
from harness.jobs.stores import AnyStore, opened
from harness.jobs.tables import unknown
from harness.rack import Locks, Rack, Slot, check_rack_models, reachable
from harness.records import ChipRecord, HandoverRecord, RunKind, RunRecord, latest_of_boards
from harness.store import Store
from harness_reports import report_of, write_card, write_run

_START_OVER = "start over"


class Terminal(Questioner, Protocol):
    """Where questions are put and answers come from: ``say``, ``ask`` and ``attended``."""

    @property
    def attended(self) -> bool:
        """Whether a person answers, who can be asked to confirm."""
        ...


class Script:
    """Answers from a script; ``said`` has every line shown and question asked."""

    attended = False

    def __init__(self, answers: Iterable[str]) -> None:
        self.said: list[str] = []
        self._answers = iter(answers)

    def say(self, text: str) -> None:
        """Keep a line."""
        self.said.append(text)

    def ask(self, prompt: str, hint: str) -> str:
        """Return the next answer; raises EOFError when there are no more."""
        self.said.append(f"{prompt} [{hint}]")
        for answer in self._answers:
            return answer
        raise EOFError


@dataclass
class Sitting:
    """The result of a sitting: the intake's id, and the chips in the order they were done.

    ``aside`` are the slots of chips that wait for the next sitting; ``left`` is whether the sitting
    was left before its end. Every answer is saved in ``journals``.
    """

    journals: Path
    run_id: str = ""
    chips: list[ChipIntake] = field(default_factory=list)
    aside: list[Slot] = field(default_factory=list)
    left: bool = False


def hold_intake(
    rack: Rack,
    answers: Terminal | Iterable[str],
    store: AnyStore = STORE,
    out: str | Path = RUNS,
    slots: Iterable[str] = (),
    by: str = "",
    on_failure: OnFailure | None = None,
    start_over: bool = False,
) -> Sitting:
    """Check new chips before they are handed out, step by step; ends in a card for each.

    ``answers`` is a terminal, or the answers themselves in the order of the questions. ``slots``
    are names, none means all. ``by`` is who answers; if empty, it is asked for. After a table
    that does not pass the person is asked, unless ``on_failure`` says what follows; without a
    person the intake continues. Every answer is saved at once; after Ctrl-C, or when the answers
    run out, the same call resumes where it stopped, unless ``start_over`` gives up the unfinished
    intake. Cards and reports are in ``out/<run id>/``.

    Raises ConfigError for a slot that the rack lacks, and if files changed since an intake was left
    and no person can be asked; InputError if a table or netlist cannot be used, PortUnavailable
    while another process holds an intake of these slots, VirtualError, and StoreError.
    """
    names = tuple(sorted(set(slots)))
    chosen = _slots(rack, names)
    terminal = Script(answers) if isinstance(answers, Iterable) else answers
    plan = load_plan(chosen, terminal.say)
    broken = check_rack_models(chosen, plan.designs)
    if broken:
        raise InputError(broken)
    choice = on_failure or ("" if terminal.attended else OnFailure.CONTINUE)
    folder = Path(out)
    sitting = Sitting(whole_path(folder / "intake"))
    with opened(store) as kept:
        desk = _Desk(chosen, plan, names, terminal, by.strip(), folder, kept)
        try:
            desk.sit(sitting, start_over, choice)
        except (KeyboardInterrupt, EOFError, Cancelled):
            sitting.left = True
    return sitting


def _slots(rack: Rack, names: tuple[str, ...]) -> Rack:
    """Keep the requested slots; raises ConfigError for one that the rack lacks."""
    known = [slot.name for slot in rack.slots]
    lost = [name for name in names if name not in known]
    if lost:
        path = rack.path or Path()
        raise ConfigError(
            unknown("slot", name, known, path, f'no slot "{name}" here') for name in lost
        )
    wanted: tuple[Slot, ...] = tuple(s for s in rack.slots if not names or s.name in names)
    return replace(rack, slots=wanted)


@dataclass(frozen=True)
class _Desk:
    """The people, files and store of a sitting."""

    rack: Rack
    plan: IntakePlan
    slots: tuple[str, ...]
    terminal: Terminal
    by: str
    out: Path
    store: Store

    def sit(self, sitting: Sitting, start_over: bool, choice: str) -> None:
        """Hold the sitting, from the first remaining chip to the last."""
        with Locks("harness intake") as locks:
            for name in lock_names(self.rack):
                locks.take(name)
            journal, by = self.journal(start_over)
            sitting.run_id = journal.head.run
            locks.take(f"intake {sitting.run_id}")
            with reachable(self.rack, f"intake {sitting.run_id}") as reached:
                if reached.remark:
                    self.terminal.say(reached.remark)
                jobs = (*self.plan.tables, *self.plan.pins)
                evaluator = Evaluator(self.rack, jobs, self.terminal.say)
                means = IntakeMeans(
                    self.rack,
                    self.plan,
                    sitting.run_id,
                    self.store,
                    reached.open_slot,
                    reached.addresses,
                    self.terminal.say,
                    evaluator.judged,
                )
                session = Intake(means, journal, by, self.terminal, choice)
                for item in session.chips(_report_hash):
                    if isinstance(item, Slot):
                        self.still_aside(item)
                        sitting.aside.append(item)
                    else:
                        whole = replace(item, wakes=self.wakes(item.chip))
                        self.finish(whole)
                        sitting.chips.append(whole)
            if not sitting.aside:
                self.store.finish_run(sitting.run_id, datetime.now(UTC), cancelled=False)
                journal.finish()
                run = self.store.run(sitting.run_id)  # now that it has an end
                write_run(run, run_folder(self.out, run.run_id))

    def journal(self, start_over: bool) -> tuple[Journal, str]:
        """Continue the unfinished intake or begin one; returns who answers as well."""
        files = files_of(self.rack, self.plan)
        folder = self.out / "intake"
        journals = read_journals(folder)
        for path in journals.foreign:
            self.terminal.say(f"{path} is not an intake journal of this version; it is left alone.")
        left = find_left(journals, self.rack, self.slots, files)
        if left is not None:
            head = left.journal.head
            if not (self.sure(head) if start_over else self.changed(left)):
                check_store(left, self.store)
                self.terminal.say(f"Resuming {_named(head)}.")
                return left.journal, self.who("Who continues it", left.journal.last_by)
            give_up(left, self.store)
            kept = left.journal.path
            self.terminal.say(f"Intake {head.run} is given up; its answers stay in {kept}.")
        for other in overlapping(journals, self.rack, self.slots):
            slots = ", ".join(other.head.slots) or "the whole rack"
            self.terminal.say(
                f"Warning: {_named(other.head)}, of {slots}, is unfinished; it has other answers "
                "for some of these chips."
            )
        by = self.who("Who does this intake", "")
        return self.begin(folder, files, by), by

    def begin(self, folder: Path, files: Mapping[str, str], by: str) -> Journal:
        """Begin an intake; if its answers cannot be saved, its run ends at once."""
        run = new_run(self.rack, RunKind.INTAKE)
        self.store.start_run(run)
        try:
            return begin(folder, self.rack, self.slots, files, by, run)
        except StoreError:
            self.store.finish_run(run.run_id, datetime.now(UTC), cancelled=True)
            raise

    def who(self, prompt: str, before: str) -> str:
        """Return who answers; Enter means the person from before."""
        if self.by:
            return self.by
        hint = f"your name, or Enter for {before}" if before else "your name, printed on the card"
        for _ in range(MAX_WRONG_ANSWERS):
            name = self.terminal.ask(prompt, hint).strip() or before
            if name:
                return name
        raise EOFError

    def sure(self, head: JournalHeading) -> bool:
        """Confirm starting over, if there is a person to ask."""
        question = f"{_begun(head)}, is unfinished. Give it up and start over"
        if not self.terminal.attended or self.starts_over(question):
            return True
        raise EOFError

    def changed(self, left: Left) -> bool:
        """Ask whether to start over with files that changed; without a person, refuse."""
        if not left.changed:
            return False
        head = left.journal.head
        self.terminal.say(f"{_begun(head)}, is unfinished.")
        self.terminal.say("These files have changed since then:")
        for name in left.changed:
            self.terminal.say(f"  {name}")
        if self.terminal.attended and self.starts_over(
            "The old answers do not apply to the new files. Start over"
        ):
            return True
        raise changed_error(left.changed, self.rack, head.run)

    def starts_over(self, question: str) -> bool:
        """Ask whether to start over."""
        answer = self.terminal.ask(question, f"{_START_OVER}, or Enter to leave")
        return answer.strip().casefold() == _START_OVER

    def still_aside(self, slot: Slot) -> None:
        """Report a chip that waits for the next sitting."""
        self.terminal.say(
            f"{slot.chip} in slot {slot.name} is still aside; harness intake continues with it."
        )

    def wakes(self, chip: ChipRecord) -> HandoverRecord | None:
        """Return the handover by which a chip's board starts a design by itself, if it does."""
        known = {one.board_serial: one for one in latest_of_boards(self.store.handovers())}
        latest = known.get(chip.board_serial)
        return latest if latest and latest.chip_serial == chip.chip_serial else None

    def finish(self, item: ChipIntake) -> None:
        """Write a chip's card, and beside it the report whose hash is on the card."""
        folder = run_folder(self.out, item.run.run_id)
        try:
            write_run(item.run, folder)
            card = write_card(item, folder / "cards")
        except StoreError as error:
            message = f"{error}. Every answer is saved; run the same command to write it"
            raise StoreError(message) from error
        self.terminal.say(f"{card.kind} of {item.chip.chip_serial}: {card.card}")
        for reason in item.hold_reasons[:3]:
            self.terminal.say(f"  {reason}")
        self.terminal.say(f"  label: {card.label}")


def _named(head: JournalHeading) -> str:
    return f"intake {head.run} by {head.by}, begun {head.began.replace('T', ' ')}"


def _begun(head: JournalHeading) -> str:
    return f"I{_named(head)[1:]}"


def _report_hash(run: RunRecord, chip: ChipRecord) -> str:
    return hashlib.sha256(report_of(run, chip.slot)).hexdigest()

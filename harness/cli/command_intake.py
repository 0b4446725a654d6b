"""``harness intake``: guide a person through checking new chips before they are handed out."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.exit_code import ExitCode
from harness.cli.fault_log import fault_log
from harness.cli.options import OUT_HELP, RUNS, STORE, STORE_HELP
from harness.cli.screen import Screen, console
from harness.door import whole_path
from harness.errors import Cancelled, ConfigError, Finding, InputError, Location, StoreError
from harness.intake import (
    MOST_WRONG,
    ChipIntake,
    Heading,
    Intake,
    Journal,
    Left,
    Plan,
    StillAside,
    begin,
    changed_error,
    check_store,
    files_of,
    find_left,
    give_up,
    load_plan,
    lock_names,
    overlapping,
    read_shelf,
)
from harness.jobs.run import new_run
from harness.rack import Locks, Rack, Slot, check_rack_models, load_rack, reachable
from harness.records import ChipRecord, RunKind, RunRecord
from harness.shuttle import nearest
from harness.store import Store
from harness_reports import report_of, write_card, write_run

_FOLDER = "intake"
_ANEW = "anew, or Enter to leave"
_THE_SAME = {False: "The same command", True: "The same command without --anew"}


class OnFailure(StrEnum):
    """What follows a table that does not pass."""

    STOP = "stop"
    CONTINUE = "continue"


def intake(
    rack: Annotated[Path, typer.Argument(help="Rack file: the boards and the chips on them.")],
    slot: Annotated[
        list[str] | None, typer.Option(help="Only this slot; may be given several times.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who does the intake; asked for if left out.")] = "",
    on_failure: Annotated[
        OnFailure | None,
        typer.Option(
            help="After a table that does not pass; else asked, or continue without a terminal."
        ),
    ] = None,
    anew: Annotated[
        bool, typer.Option("--anew", help="Begin again; an intake that was left is given up.")
    ] = False,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = RUNS,
) -> ExitCode:
    """Check new chips before they are handed out, step by step; ends in a card for each.

    Every answer is kept at once. Ctrl-C leaves; the same command goes on where it stopped.
    Exit status: 0 every chip may be handed out, 1 some chip is held (this counts before a chip
    that is aside), 2 wrong usage or input, 3 the intake was left before its end, or a chip is
    still aside.
    """
    names = tuple(sorted(set(slot or ())))
    chosen = _slots(load_rack(rack), names)
    plan = load_plan(chosen.shuttle)
    broken = check_rack_models(chosen, plan.designs)
    if broken:
        raise InputError(broken)
    desk = _Desk(chosen, plan, names, console(), by, out)
    choice = on_failure or ("" if sys.stdin.isatty() else OnFailure.CONTINUE)
    with fault_log(out), Store(store) as kept:
        try:
            return _sit(desk, kept, _BEGIN[anew], choice)
        except (KeyboardInterrupt, EOFError, Cancelled):
            desk.screen.say(f"\nLeft. Every answer is kept in {whole_path(out / _FOLDER)}.")
            desk.screen.say(f"{_THE_SAME[anew]} goes on from here.")
            desk.screen.say("If the board is on: unplug it before the chip is touched.")
            return ExitCode.NOT_TESTED


def _slots(rack: Rack, names: tuple[str, ...]) -> Rack:
    """Keep the slots asked for; raises ConfigError for one that the rack lacks."""
    known = [slot.name for slot in rack.slots]
    lost = [name for name in names if name not in known]
    if lost:
        place = Location(rack.path or Path())
        raise ConfigError(
            Finding("unknown-slot", place, f'no slot "{name}" here', nearest(name, known))
            for name in lost
        )
    wanted: tuple[Slot, ...] = tuple(s for s in rack.slots if not names or s.name in names)
    return replace(rack, slots=wanted)


@dataclass(frozen=True)
class _Desk:
    """Where a sitting begins: who is there, and with which files."""

    rack: Rack
    plan: Plan
    slots: tuple[str, ...]
    screen: Screen
    by: str
    out: Path

    def journal(self, store: Store, changed: _WhenLeft) -> tuple[Journal, str]:
        """Go on with the intake that was left, or begin one; tells who answers as well."""
        files = files_of(self.rack, self.plan)
        folder = self.out / _FOLDER
        shelf = read_shelf(folder)
        for path in shelf.strange:
            self.screen.say(f"{path} is not the journal of an intake of this version; left alone.")
        left = find_left(shelf, self.rack, self.slots, files)
        if left is not None:
            head = left.journal.head
            if not changed(self, left):
                check_store(left, store)
                self.screen.say(f"Going on with {_named(head)}.")
                return left.journal, self._who("Who goes on with it", left.journal.last_by)
            give_up(left, store)
            kept = left.journal.path
            self.screen.say(f"Intake {head.run} is given up; its answers stay in {kept}.")
        for other in overlapping(shelf, self.rack, self.slots):
            slots = ", ".join(other.head.slots) or "the whole rack"
            self.screen.say(
                f"Beware: {_named(other.head)}, of {slots}, was left and is not finished; it has "
                "other answers for some of these chips."
            )
        by = self._who("Who does this intake", "")
        return self._begin(store, folder, files, by), by

    def _begin(self, store: Store, folder: Path, files: Mapping[str, str], by: str) -> Journal:
        """Begin an intake; a run whose answers cannot be kept has an end at once."""
        run = new_run(self.rack, RunKind.INTAKE)
        store.start_run(run)
        try:
            return begin(folder, self.rack, self.slots, files, by, run)
        except StoreError:
            store.finish_run(run.run_id, datetime.now(UTC), cancelled=True)
            raise

    def _who(self, prompt: str, before: str) -> str:
        """Tell who answers; whoever presses Enter is the one of before."""
        if self.by.strip():
            return self.by.strip()
        hint = f"your name, or Enter for {before}" if before else "your name, printed on the card"
        for _ in range(MOST_WRONG):
            name = self.screen.ask(prompt, hint).strip() or before
            if name:
                return name
        raise EOFError

    def anew(self, left: Left) -> bool:
        """Begin again, as asked for on the command line; at a terminal make sure of it."""
        if not sys.stdin.isatty():
            return True
        told = f"{_named(left.journal.head)}, was left. Give it up and begin anew"
        if self.screen.ask(told[:1].upper() + told[1:], _ANEW).strip().casefold() == "anew":
            return True
        raise EOFError

    def anew_if_changed(self, left: Left) -> bool:
        """Ask whether to begin again with files that changed; without a terminal, refuse."""
        if not left.changed:
            return False
        head = left.journal.head
        told = f"{_named(head)}, was left."
        self.screen.say(told[:1].upper() + told[1:])
        self.screen.say("These files are not what they were then:")
        for name in left.changed:
            self.screen.say(f"  {name}")
        if sys.stdin.isatty():
            answer = self.screen.ask("Old answers do not fit new files. Begin anew", _ANEW)
            if answer.strip().casefold() == "anew":
                return True
        raise changed_error(left.changed, self.rack, head.run)


_WhenLeft = Callable[[_Desk, Left], bool]
_BEGIN: dict[bool, _WhenLeft] = {True: _Desk.anew, False: _Desk.anew_if_changed}


def _sit(desk: _Desk, store: Store, changed: _WhenLeft, choice: str) -> ExitCode:
    """Hold one sitting, from the first chip that is left to the last."""
    with Locks("harness intake") as locks:
        for name in lock_names(desk.rack):
            locks.take(name)
        journal, by = desk.journal(store, changed)
        run_id = journal.head.run
        locks.take(f"intake {run_id}")
        with reachable(desk.rack, f"intake {run_id}") as reached:
            if reached.remark:
                desk.screen.say(reached.remark)
            session = Intake(
                desk.rack,
                desk.plan,
                journal,
                by,
                store,
                reached.open_slot,
                reached.addresses,
                desk.screen,
                choice,
            )
            found = [_finish(item, desk.out, desk.screen) for item in session.chips(_report_hash)]
        chips = [item for item in found if isinstance(item, ChipIntake)]
        if len(chips) == len(found):
            store.finish_run(run_id, datetime.now(UTC), cancelled=False)
            journal.finish()
            write_run(store.run(run_id), desk.out / run_id)  # now that it has an end
    if any(chip.hold_reasons for chip in chips):
        return ExitCode.CHIP_FAILED
    return ExitCode.ALL_PASS if len(chips) == len(found) else ExitCode.NOT_TESTED


def _named(head: Heading) -> str:
    return f"intake {head.run} by {head.by}, begun {head.began.replace('T', ' ')}"


def _report_hash(run: RunRecord, chip: ChipRecord) -> str:
    return hashlib.sha256(report_of(run, chip.slot)).hexdigest()


def _finish(item: ChipIntake | StillAside, out: Path, screen: Screen) -> ChipIntake | StillAside:
    """Write a chip's card, and the report of which the card has the hash, beside it."""
    if isinstance(item, StillAside):
        slot = item.slot
        screen.say(
            f"{slot.chip} in slot {slot.name} is still aside: harness intake goes on with it."
        )
        return item
    folder = out / item.run.run_id
    try:
        write_run(item.run, folder)
        card = write_card(item, folder / "cards")
    except StoreError as error:
        raise StoreError(f"{error}. Every answer is kept; the same command writes it") from error
    screen.say(f"{card.kind} of {item.chip.chip_serial}: {card.card}")
    for reason in item.hold_reasons[:3]:
        screen.say(f"  {reason}")
    screen.say(f"  label: {card.label}")
    return item

"""``harness intake``: guide a person through checking new chips before they are handed out."""

from __future__ import annotations

import hashlib
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from harness.cli.exit_code import ExitCode
from harness.cli.options import OUT_HELP, RUNS, STORE, STORE_HELP, console
from harness.errors import ConfigError, Finding, Location
from harness.intake import ChipIntake, Intake, Journal
from harness.rack import Rack, Slot, load_rack
from harness.reaching import reachable
from harness.runner import new_run
from harness.shuttle import nearest
from harness.store import ChipRecord, RunRecord, Store
from reports import report_of, write_card, write_run

_FOLDER = "intake"


class _Screen:
    """Questions on the terminal."""

    def __init__(self, screen: Console) -> None:
        self._screen = screen

    def say(self, text: str) -> None:
        """Show a line."""
        self._screen.print(Text(text), soft_wrap=True)

    def ask(self, prompt: str, hint: str) -> str:
        """Put a question; EOFError and KeyboardInterrupt when the person leaves."""
        return self._screen.input(Text(f"{prompt} [{hint}]: "))


def intake(
    rack: Annotated[Path, typer.Argument(help="Rack file: the boards and the chips on them.")],
    slot: Annotated[
        list[str] | None, typer.Option(help="Only this slot; may be given several times.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who does the intake; asked for if left out.")] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = RUNS,
) -> ExitCode:
    """Check new chips before they are handed out, step by step; ends in a card for each.

    Every answer is kept at once. Ctrl-C leaves; the same command goes on where it stopped.
    Exit status: 0 every chip may be handed out, 1 some chip is held, 2 wrong usage or input, 3
    the intake was left before its end.
    """
    chosen = _slots(load_rack(rack), slot or [])
    screen = _Screen(console())
    with ExitStack() as open_things:
        kept = open_things.enter_context(Store(store))
        try:
            journal = _journal(chosen, kept, screen, by, out / _FOLDER)
            run_id = str(journal.head["run"])
            reached = open_things.enter_context(reachable(chosen, f"intake {run_id}"))
            session = Intake(chosen, chosen.slots, journal, kept, reached.open_slot, screen)
            chips = [_finish(chip, out, screen) for chip in session.chips(_report_hash)]
        except (KeyboardInterrupt, EOFError):
            screen.say("\nLeft. Every answer is kept; the same command goes on from here.")
            return ExitCode.NOT_TESTED
        kept.finish_run(run_id, chips[-1].at, cancelled=False)
        journal.finish()
    held = [chip for chip in chips if chip.hold_reasons]
    return ExitCode.CHIP_FAILED if held else ExitCode.ALL_PASS


def _slots(rack: Rack, names: list[str]) -> Rack:
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


def _journal(rack: Rack, store: Store, screen: _Screen, by: str, folder: Path) -> Journal:
    """Go on with the intake that was left, or begin one: a journal for each set of slots."""
    marks = [rack.sha256, rack.shuttle.sha256, rack.profile.sha256]
    mark = hashlib.sha256("\n".join([*marks, *(s.name for s in rack.slots)]).encode()).hexdigest()
    left = [
        found
        for path in sorted(folder.glob("*.jsonl"))
        if not (found := Journal(path)).finished and found.head["rack"] == mark
    ]
    if left:
        journal = left[-1]
        screen.say(f"Going on with intake {journal.head['run']} by {journal.head['by']}.")
        return journal
    while not by.strip():
        by = screen.ask("Who does this intake", "your name, printed on the card")
    run = new_run(rack)
    store.start_run(run)
    return Journal.begin(folder / f"{run.run_id}.jsonl", run.run_id, mark, by.strip())


def _report_hash(run: RunRecord, chip: ChipRecord) -> str:
    return hashlib.sha256(report_of(run, chip.slot)).hexdigest()


def _finish(chip: ChipIntake, out: Path, screen: _Screen) -> ChipIntake:
    """Write the chip's card, and the report of which the card has the hash, beside it."""
    folder = out / chip.run.run_id
    write_run(chip.run, folder)
    card = write_card(chip, folder / "cards")
    screen.say(f"{card.kind} of {chip.chip.chip_serial}: {card.card}")
    for reason in chip.hold_reasons[:3]:
        screen.say(f"  {reason}")
    screen.say(f"  label: {card.label}")
    return chip

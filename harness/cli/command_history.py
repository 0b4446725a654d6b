"""``harness history``: pages of what all kept nights say about chips, designs and slots."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.exit_code import ExitCode
from harness.cli.options import RUNS, STORE, STORE_HELP
from harness.cli.screen import console
from harness.errors import StoreError
from harness.store import Store
from harness_reports import (
    ChipSubject,
    DesignSubject,
    SlotSubject,
    Subject,
    all_subjects,
    margins_of,
    selection,
    write_histories,
)


def history(
    chip: Annotated[
        list[str] | None, typer.Option(help="A chip's serial number; may be given again.")
    ] = None,
    design: Annotated[
        list[str] | None, typer.Option(help="A design's name; may be given again.")
    ] = None,
    slot: Annotated[
        list[str] | None, typer.Option(help="RACK/SLOT by their names; may be given again.")
    ] = None,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    out: Annotated[Path, typer.Option(help="Folder for the pages.")] = RUNS / "history",
) -> ExitCode:
    """Write a page for each chip, design or slot; for all of them if none is named."""
    with Store.existing(store) as kept:
        known = all_subjects(kept.subjects())
        chosen: list[Subject] = [
            *(ChipSubject(serial) for serial in chip or ()),
            *(DesignSubject(name) for name in design or ()),
            *(_slot(text, known) for text in slot or ()),
        ]
        _refuse_unknown(chosen, known, kept.place)
        subjects = list(dict.fromkeys(chosen)) or known
        written = write_histories(
            subjects,
            lambda which: kept.history(selection(which)),
            out,
            lambda which: margins_of(kept, which),
        )
    screen = console()
    shown = (written.index,) if written.index is not None else written.pages
    for path in shown:
        screen.say(f"History: {path}")
    return ExitCode.ALL_PASS


def _slot(text: str, known: tuple[Subject, ...]) -> SlotSubject:
    """Read ``RACK/SLOT``: as a slot that is known if possible, for names may hold a slash."""
    for subject in known:
        if isinstance(subject, SlotSubject) and f"{subject.rack}/{subject.slot}" == text:
            return subject
    rack, slash, slot = text.rpartition("/")
    if not slash:
        raise typer.BadParameter(f'--slot "{text}": give RACK/SLOT, as in "Demo rack/A1"')
    return SlotSubject(rack, slot)


def _refuse_unknown(chosen: list[Subject], known: tuple[Subject, ...], place: str) -> None:
    """Raise StoreError for what no run that is kept has had."""
    lost = [_named(subject) for subject in chosen if subject not in set(known)]
    if lost:
        message = (
            f"{place}: nothing is kept of {', '.join(lost)}; "
            "`harness history` without options writes the list of all"
        )
        raise StoreError(message)


def _named(subject: Subject) -> str:
    match subject:
        case ChipSubject(serial):
            return f"chip {serial}"
        case DesignSubject(name):
            return f"design {name}"
        case SlotSubject(rack, slot):
            return f"slot {slot} of rack {rack}"

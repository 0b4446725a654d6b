"""``harness history``: pages of what all kept nights say about chips, designs and slots."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.exit_code import ExitCode
from harness.cli.options import RUNS, STORE, STORE_HELP
from harness.cli.screen import console
from harness.errors import StoreError
from harness.store import Selection, Store, SubjectKind, of_chip, of_design, of_slot
from harness_reports import margins_of, write_histories


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
        known = kept.subjects()
        chosen: list[Selection] = [
            *(of_chip(serial) for serial in chip or ()),
            *(of_design(name) for name in design or ()),
            *(_slot(text, known) for text in slot or ()),
        ]
        _refuse_unknown(chosen, known, kept.place)
        subjects = list(dict.fromkeys(chosen)) or known
        written = write_histories(
            subjects,
            kept.history,
            out,
            lambda which: margins_of(kept, which),
        )
    screen = console()
    shown = (written.index,) if written.index is not None else written.pages
    for path in shown:
        screen.say(f"History: {path}")
    return ExitCode.ALL_PASS


def _slot(text: str, known: tuple[Selection, ...]) -> Selection:
    """Read ``RACK/SLOT``: as a slot that is known if possible, for names may hold a slash."""
    for subject in known:
        if subject.kind is SubjectKind.SLOT and f"{subject.rack}/{subject.name}" == text:
            return subject
    rack, slash, slot = text.rpartition("/")
    if not slash:
        raise typer.BadParameter(f'--slot "{text}": give RACK/SLOT, as in "Demo rack/A1"')
    return of_slot(rack, slot)


def _refuse_unknown(chosen: list[Selection], known: tuple[Selection, ...], place: str) -> None:
    """Raise StoreError for what no run that is kept has had."""
    lost = [_named(subject) for subject in chosen if subject not in set(known)]
    if lost:
        message = (
            f"{place}: nothing is kept of {', '.join(lost)}; "
            "`harness history` without options writes the list of all"
        )
        raise StoreError(message)


def _named(subject: Selection) -> str:
    rack = f" of rack {subject.rack}" if subject.kind is SubjectKind.SLOT else ""
    return f"{subject.kind} {subject.name}{rack}"

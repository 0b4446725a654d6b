"""Write the histories of chips, designs and slots over all stored runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.errors import StoreError
from harness.jobs.beyond import run_address
from harness.jobs.choices import RUNS, STORE
from harness.jobs.stores import AnyStore, existing
from harness.store import Selection, SubjectKind, of_chip, of_design, of_slot
from harness_reports import WrittenHistories, write_histories


def history(
    chips: Sequence[str] = (),
    designs: Sequence[str] = (),
    slots: Sequence[str] = (),
    store: AnyStore = STORE,
    folder: str | Path = RUNS / "history",
) -> WrittenHistories:
    """Write a page for each chip, design or slot into a folder; for all of them if none is named.

    They lead to the reports of runs that are beside this folder.

    ``chips`` are serial numbers, ``designs`` names, ``slots`` texts such as ``Demo rack/A1``.
    Raises StoreError for one that no stored run has, and if the pages cannot be written.
    """
    with existing(store) as kept:
        known = kept.subjects()
        chosen = [
            *(of_chip(serial) for serial in chips),
            *(of_design(name) for name in designs),
            *(_slot(text, known) for text in slots),
        ]
        _refuse_unknown(chosen, known, kept.place)
        written = list(dict.fromkeys(chosen)) or known
        out = Path(folder).parent
        return write_histories(kept, written, Path(folder), lambda run: run_address(out, run))


def _slot(text: str, known: Sequence[Selection]) -> Selection:
    """Read ``RACK/SLOT``: as a stored slot if possible, because names may contain a slash."""
    slots = (one for one in known if one.kind is SubjectKind.SLOT)
    rack, _, slot = text.rpartition("/")
    return next((one for one in slots if f"{one.rack}/{one.name}" == text), of_slot(rack, slot))


def _refuse_unknown(chosen: Sequence[Selection], known: Sequence[Selection], place: str) -> None:
    """Raise StoreError for a subject that no stored run has."""
    lost = [_named(subject) for subject in chosen if subject not in set(known)]
    if lost:
        raise StoreError(
            f"{place}: no run has {', '.join(lost)}; "
            "`harness history` without options lists everything"
        )


def _named(subject: Selection) -> str:
    rack = f" of {subject.rack}" if subject.kind is SubjectKind.SLOT else ""
    return f"{subject.kind} {subject.name}{rack}"

"""Finds the intake that a sitting goes on with, or begins a new one.

One rule: an intake goes on with the files that it began with, or it does not go on. Whoever looks
for one to go on with, or to give up, has locked it by :func:`lock_names`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from harness.door import names_in, whole_path
from harness.errors import StoreError
from harness.intake.bench import now
from harness.intake.files import changed_files
from harness.intake.journal import FileSum, Heading, Journal
from harness.rack import Rack
from harness.records import RunRecord
from harness.store import Store


@dataclass(frozen=True)
class Left:
    """An intake that was left before its end, and the files that changed since it began."""

    journal: Journal
    changed: tuple[str, ...]


@dataclass(frozen=True)
class Shelf:
    """The journals in a folder, the last begun at the end; ``strange`` files are none of ours."""

    journals: tuple[Journal, ...]
    strange: tuple[Path, ...]


def lock_names(rack: Rack) -> tuple[str, ...]:
    """Name what one sitting at a time holds: the intake of each slot of a rack."""
    return tuple(f"the intake of slot {slot.name} of {_place(rack)}" for slot in rack.slots)


def read_shelf(folder: Path) -> Shelf:
    """Read every journal of a folder. Raises StoreError for one that cannot be read."""
    begun = [found for path in names_in(folder, ".jsonl") if (found := Journal(path)).begun]
    return Shelf(
        tuple(found for found in begun if found.ours),
        tuple(found.path for found in begun if not found.ours),
    )


def find_left(
    shelf: Shelf, rack: Rack, slots: tuple[str, ...], files: Mapping[str, str]
) -> Left | None:
    """Find the last intake of this rack file, and of these slots, that was left.

    ``slots`` are those asked for, in order, none for all. Raises StoreError for a journal whose
    first line cannot be used.
    """
    left = [found for found in _open(shelf, rack) if found.head.slots == slots]
    if not left:
        return None
    return Left(left[-1], changed_files(left[-1].head.sums, files))


def overlapping(shelf: Shelf, rack: Rack, slots: tuple[str, ...]) -> tuple[Journal, ...]:
    """Find intakes that were left, of other slots of this rack file, some of them the same."""
    wanted = {slot.name for slot in rack.slots}
    return tuple(
        found
        for found in _open(shelf, rack)
        if found.head.slots != slots and wanted & set(found.head.slots or wanted)
    )


def _open(shelf: Shelf, rack: Rack) -> Iterator[Journal]:
    mark = _mark(rack)
    return (found for found in shelf.journals if found.head.rack == mark and not found.finished)


def begin(
    folder: Path,
    rack: Rack,
    slots: tuple[str, ...],
    files: Mapping[str, str],
    by: str,
    run: RunRecord,
) -> Journal:
    """Begin the journal of an intake whose run has been started."""
    sums = tuple(FileSum(name, files[name]) for name in sorted(files))
    heading = Heading(run.run_id, _mark(rack), slots, by, now(), sums)
    return Journal.begin(folder / f"{run.run_id}.jsonl", heading)


def give_up(left: Left, store: Store) -> None:
    """End an intake that nobody will go on with; what it holds stays."""
    run = left.journal.head.run
    if run in store.runs():
        store.finish_run(run, datetime.now(UTC), cancelled=True)
    left.journal.finish()


def check_store(left: Left, store: Store) -> None:
    """Raise StoreError if a store is not the one that an intake began with."""
    run = left.journal.head.run
    if run not in store.runs():
        message = (
            f"{store.place}: intake {run} is not kept here; give the --store that it began with, "
            "or begin again with --anew"
        )
        raise StoreError(message)


def _mark(rack: Rack) -> str:
    """Tell a rack file without keeping a path of this computer."""
    return hashlib.sha256(_place(rack).encode()).hexdigest()


def _place(rack: Rack) -> str:
    return str(whole_path(rack.path)) if rack.path is not None else rack.name

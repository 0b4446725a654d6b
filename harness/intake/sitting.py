"""Finds the intake that a sitting goes on with, or begins a new one.

One rule: an intake goes on with the files that it began with, or it does not go on. Whoever looks
for one to go on with, or to give up, has locked it by :func:`lock_name`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from harness.intake.bench import now
from harness.intake.files import changed_files
from harness.intake.journal import FileSum, Heading, Journal
from harness.rack import Rack
from harness.store import RunRecord, Store


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


def lock_name(rack: Rack, slots: tuple[str, ...]) -> str:
    """Name what one sitting at a time holds: the intake of a rack file, or of some slots of it."""
    where = f"the intake of {_place(rack)}"
    return f"{where} ({', '.join(sorted(slots))})" if slots else where


def read_shelf(folder: Path) -> Shelf:
    """Read every journal of a folder. Raises StoreError for one that cannot be read."""
    begun = [found for path in sorted(folder.glob("*.jsonl")) if (found := Journal(path)).begun]
    return Shelf(
        tuple(found for found in begun if found.ours),
        tuple(found.path for found in begun if not found.ours),
    )


def find_left(
    shelf: Shelf, rack: Rack, slots: tuple[str, ...], files: Mapping[str, str]
) -> Left | None:
    """Find the last intake of this rack file, and of these slots, that was left.

    ``slots`` are those asked for, none for all. Raises StoreError for a journal whose first line
    cannot be used.
    """
    mark = _mark(rack, slots)
    left = [found for found in shelf.journals if found.head.rack == mark and not found.finished]
    if not left:
        return None
    return Left(left[-1], changed_files(left[-1].head.sums, files))


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
    heading = Heading(run.run_id, _mark(rack, slots), by, now(), sums)
    return Journal.begin(folder / f"{run.run_id}.jsonl", heading)


def give_up(left: Left, store: Store) -> None:
    """End an intake that nobody will go on with; what it holds stays."""
    store.finish_run(left.journal.head.run, datetime.now(UTC), cancelled=True)
    left.journal.finish()


def _mark(rack: Rack, slots: tuple[str, ...]) -> str:
    """Tell rack file and slots without keeping a path of this computer."""
    return hashlib.sha256("\n".join([_place(rack), *sorted(slots)]).encode()).hexdigest()


def _place(rack: Rack) -> str:
    return str(rack.path.resolve()) if rack.path is not None else rack.name

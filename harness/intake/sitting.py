"""Finds the intake that a sitting goes on with, or begins a new one.

One rule: an intake goes on with the files that it began with, or it does not go on. Whoever looks
for one to go on with, or to give up, has locked it by :func:`lock_names`.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, file_sum, names_in, whole_path
from harness.errors import ConfigError, Finding, Location, StoreError
from harness.intake.bench import now
from harness.intake.journal import FileSum, Journal, JournalHeading
from harness.intake.order import IntakePlan
from harness.rack import Rack
from harness.records import RunRecord
from harness.store import Store

DESIGN = "design.toml"


@dataclass(frozen=True)
class Left:
    """An intake that was left before its end, and the files that changed since it began."""

    journal: Journal
    changed: tuple[str, ...]


@dataclass(frozen=True)
class JournalFolder:
    """The journals in a folder, the last begun at the end; ``strange`` files are none of ours."""

    journals: tuple[Journal, ...]
    strange: tuple[Path, ...]


def lock_names(rack: Rack) -> tuple[str, ...]:
    """Name what one sitting at a time holds: the intake of each slot of a rack."""
    return tuple(f"the intake of slot {slot.name} of {_place(rack)}" for slot in rack.slots)


def read_journals(folder: Path) -> JournalFolder:
    """Read every journal of a folder. Raises StoreError for one that cannot be read."""
    begun = [found for path in names_in(folder, ".jsonl") if (found := Journal(path)).begun]
    return JournalFolder(
        tuple(found for found in begun if found.ours),
        tuple(found.path for found in begun if not found.ours),
    )


def find_left(
    shelf: JournalFolder, rack: Rack, slots: tuple[str, ...], files: Mapping[str, str]
) -> Left | None:
    """Find the last intake of this rack file, and of these slots, that was left.

    ``slots`` are those asked for, in order, none for all. Raises StoreError for a journal whose
    first line cannot be used.
    """
    left = [found for found in _open(shelf, rack) if found.head.slots == slots]
    if not left:
        return None
    return Left(left[-1], changed_files(left[-1].head.sums, files))


def overlapping(shelf: JournalFolder, rack: Rack, slots: tuple[str, ...]) -> tuple[Journal, ...]:
    """Find intakes that were left, of other slots of this rack file, some of them the same."""
    wanted = {slot.name for slot in rack.slots}
    return tuple(
        found
        for found in _open(shelf, rack)
        if found.head.slots != slots and wanted & set(found.head.slots or wanted)
    )


def _open(shelf: JournalFolder, rack: Rack) -> Iterator[Journal]:
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
    heading = JournalHeading(run.run_id, _mark(rack), slots, by, now(), sums)
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


def files_of(rack: Rack, plan: IntakePlan) -> dict[str, str]:
    """Return the SHA-256 of rack, profile, shuttle, designs and intake tables, by name.

    Names are paths from the shuttle's folder.
    """
    home = whole_path(rack.shuttle.path.parent)
    paths = {path: None for path in (rack.path, rack.profile.path, rack.shuttle.path) if path}
    paths |= {design.folder / DESIGN: None for design in rack.shuttle.designs}
    files = {_name(path, home): file_sum(path, MAX_SETTINGS_BYTES) for path in paths}
    return files | {
        _name(spec.path, home): pattern.sha256 for _, spec, pattern in (*plan.pins, *plan.tables)
    }


def changed_files(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Name every file that is another one now, is new, or is gone."""
    return tuple(sorted(n for n in before.keys() | now.keys() if before.get(n) != now.get(n)))


def changed_error(names: tuple[str, ...], rack: Rack, run_id: str) -> ConfigError:
    """Make the complaint about files that changed since an intake began."""
    advice = "put the old file back, or start the intake anew with --anew"
    told = f"not what it was when intake {run_id} began"
    home = whole_path(rack.shuttle.path.parent)
    named = (Path(os.path.normpath(home / name)) for name in names)
    return ConfigError(Finding("changed-since", Location(path), told, advice) for path in named)


def _name(path: Path, home: Path) -> str:
    """Name a file by its way from the shuttle's folder, so that no two have one name."""
    return Path(os.path.relpath(whole_path(path), home)).as_posix()

"""Finds the intake that a sitting continues, or begins a new one.

One rule: an intake continues with the files that it began with, or not at all. A caller that looks
for an intake to continue or give up has locked it by :func:`lock_names`.
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
_PUT_BACK = "put the old file back, or use --start-over"


@dataclass(frozen=True)
class Left:
    """An unfinished intake, and the files that changed since it began."""

    journal: Journal
    changed: tuple[str, ...]


@dataclass(frozen=True)
class JournalFolder:
    """The journals in a folder, the latest last; ``foreign`` files are not of this version."""

    journals: tuple[Journal, ...]
    foreign: tuple[Path, ...]


def lock_names(rack: Rack) -> tuple[str, ...]:
    """Name what only one sitting can hold at a time: the intake of each slot of a rack."""
    return tuple(f"the intake of slot {slot.name} of {_place(rack)}" for slot in rack.slots)


def read_journals(folder: Path) -> JournalFolder:
    """Read every journal of a folder. Raises StoreError for one that cannot be read."""
    begun = [journal for path in names_in(folder, ".jsonl") if (journal := Journal(path)).begun]
    return JournalFolder(
        tuple(journal for journal in begun if journal.ours),
        tuple(journal.path for journal in begun if not journal.ours),
    )


def find_left(
    journals: JournalFolder, rack: Rack, slots: tuple[str, ...], files: Mapping[str, str]
) -> Left | None:
    """Find the latest unfinished intake of this rack file and these slots.

    ``slots`` are those requested, in order; empty for all. Raises StoreError for a journal whose
    first line is unusable.
    """
    left = [journal for journal in _open(journals, rack) if journal.head.slots == slots]
    if not left:
        return None
    return Left(left[-1], changed_files(left[-1].head.sums, files))


def overlapping(journals: JournalFolder, rack: Rack, slots: tuple[str, ...]) -> tuple[Journal, ...]:
    """Find unfinished intakes of this rack file that share some of these slots, but not all."""
    wanted = {slot.name for slot in rack.slots}
    return tuple(
        journal
        for journal in _open(journals, rack)
        if journal.head.slots != slots and wanted & set(journal.head.slots or wanted)
    )


def _open(folder: JournalFolder, rack: Rack) -> Iterator[Journal]:
    mark = _mark(rack)
    return (each for each in folder.journals if each.head.rack == mark and not each.finished)


def begin(
    folder: Path,
    rack: Rack,
    slots: tuple[str, ...],
    files: Mapping[str, str],
    by: str,
    run: RunRecord,
) -> Journal:
    """Begin the journal of an intake whose run has started."""
    sums = tuple(FileSum(name, files[name]) for name in sorted(files))
    heading = JournalHeading(run.run_id, _mark(rack), slots, by, now(), sums)
    return Journal.begin(folder / f"{run.run_id}.jsonl", heading)


def give_up(left: Left, store: Store) -> None:
    """End an intake that is not to be continued; its results stay."""
    run = left.journal.head.run
    if run in store.runs():
        store.finish_run(run, datetime.now(UTC), cancelled=True)
    left.journal.finish()


def check_store(left: Left, store: Store) -> None:
    """Raise StoreError unless the intake began with this store."""
    run = left.journal.head.run
    if run not in store.runs():
        raise StoreError(
            f"{store.place}: intake {run} is not in this store; give the --store that it began "
            "with, or use --start-over"
        )


def _mark(rack: Rack) -> str:
    """Identify a rack file without keeping a path of this computer."""
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
        _name(job.spec.path, home): job.pattern.sha256 for job in (*plan.pins, *plan.tables)
    }


def changed_files(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Name every file that changed, is new, or is gone."""
    return tuple(sorted(n for n in before.keys() | now.keys() if before.get(n) != now.get(n)))


def changed_error(names: tuple[str, ...], rack: Rack, run_id: str) -> ConfigError:
    """Make the error about files that changed since an intake began."""
    message, advice = f"changed since intake {run_id} began", _PUT_BACK
    home = whole_path(rack.shuttle.path.parent)
    named = (Path(os.path.normpath(home / name)) for name in names)
    return ConfigError(Finding("changed-since", Location(path), message, advice) for path in named)


def _name(path: Path, home: Path) -> str:
    """Name a file by its path from the shuttle's folder, so that names are unique."""
    return Path(os.path.relpath(whole_path(path), home)).as_posix()

"""Finds the files that a run was made from, on this computer, by their names and SHA-256.

One rule: a file is what was run if its hash says so; a name alone proves nothing.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.errors import BundleError, Finding, Location
from harness.shuttle import check_shuttle
from harness.store import RunRecord

MOST_FOLDERS = 20_000
"""So many folders are looked through below the current one, then the search ends."""

_SKIPPED = {"runs", "node_modules", "__pycache__"}


@dataclass(frozen=True)
class Places:
    """Where to look: files that a person named, and the folder to search for the others."""

    rack: Path | None = None
    shuttle: Path | None = None
    profile: Path | None = None
    below: Path = Path()


def find_shuttle(run: RunRecord, places: Places) -> Path:
    """Find the run's ``shuttle.toml``; its hash covers every design.toml. Raises BundleError."""
    what = _What("shuttle", run.shuttle_file, run.shuttle_sha256, "it or a design.toml it names")
    return _find(run, what, places.shuttle, places.below, _shuttle_sum)


def find_profile(run: RunRecord, places: Places) -> Path:
    """Find the run's board profile. Raises BundleError."""
    what = _What("profile", run.profile_file, run.profile_sha256, "it")
    return _find(run, what, places.profile, places.below, file_sum)


def find_rack(run: RunRecord, places: Places) -> Path:
    """Find the run's rack file. Raises BundleError."""
    what = _What("rack", run.rack_file, run.rack_sha256, "it")
    return _find(run, what, places.rack, places.below, file_sum)


def file_sum(path: Path) -> str:
    """Return a file's SHA-256 in hex, empty if it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def changed(run: RunRecord, path: Path, subject: str = "it") -> Finding:
    """Return the finding for a file that is not what was run."""
    return Finding(
        "changed-since-run",
        Location(path),
        f"{subject} has changed since run {run.run_id}, so it is not what was run",
        "bring back the version that was run, or run again and bundle the new run",
    )


@dataclass(frozen=True)
class _What:
    """What is looked for; ``subject`` is what its hash covers."""

    option: str
    name: str
    sha256: str
    subject: str


def _find(
    run: RunRecord, what: _What, named: Path | None, below: Path, sum_of: Callable[[Path], str]
) -> Path:
    found = [named] if named is not None else list(_named(what.name, below))
    for path in found:
        if sum_of(path) == what.sha256:
            return path
    if found:
        raise BundleError(changed(run, path, what.subject) for path in found)
    message = f"no {what.name} of run {run.run_id} is in this folder or below"
    advice = f"start in the folder that holds it, or give --{what.option}"
    raise BundleError([Finding("file-missing", Location(below.resolve()), message, advice)])


def _named(name: str, below: Path) -> Iterator[Path]:
    """Give every file of this name below a folder; hidden folders and reports are left out."""
    if not name:
        return
    for number, (folder, folders, files) in enumerate(os.walk(below)):
        folders[:] = sorted(f for f in folders if not f.startswith(".") and f not in _SKIPPED)
        if name in files:
            yield Path(folder) / name
        if number >= MOST_FOLDERS:
            return


def _shuttle_sum(path: Path) -> str:
    shuttle, _ = check_shuttle(path)
    return shuttle.sha256 if shuttle is not None else ""

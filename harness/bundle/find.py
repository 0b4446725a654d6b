"""Finds the files that a run was made from, on this computer, by their names and SHA-256.

One rule: a file is what was run if its hash says so; a name alone proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.door import LARGEST_SETTINGS, file_sum, names_below, whole_path
from harness.errors import BundleError, FileUnusable, Finding, Location
from harness.records import RunRecord
from harness.shuttle import check_shuttle

_SKIPPED = frozenset({"runs", "node_modules", "__pycache__"})


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
    return _find(run, what, places.profile, places.below, _sum)


def find_rack(run: RunRecord, places: Places) -> Path:
    """Find the run's rack file. Raises BundleError."""
    what = _What("rack", run.rack_file, run.rack_sha256, "it")
    return _find(run, what, places.rack, places.below, _sum)


def _sum(path: Path) -> str:
    """Return a settings file's SHA-256 in hex, empty if it cannot be read."""
    try:
        return file_sum(path, LARGEST_SETTINGS)
    except FileUnusable:
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
    found: list[Path] = []
    for path in [named] if named is not None else _named(what.name, below):
        if sum_of(path) == what.sha256:
            return path
        found.append(path)
    if found:
        raise BundleError(changed(run, path, what.subject) for path in found)
    message = f"no {what.name} of run {run.run_id} is in this folder or below"
    advice = f"start in the folder that holds it, or give --{what.option}"
    raise BundleError([Finding("file-missing", Location(whole_path(below)), message, advice)])


def _named(name: str, below: Path) -> Iterator[Path]:
    """Give every file of this name below a folder; hidden folders and reports are left out."""
    if name:
        yield from (path for path in names_below(below, _SKIPPED) if path.name == name)


def _shuttle_sum(path: Path) -> str:
    shuttle, _ = check_shuttle(path)
    return shuttle.sha256 if shuttle is not None else ""

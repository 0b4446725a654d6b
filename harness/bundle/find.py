"""Finds the files that a run was made from, on this computer, by their names and SHA-256.

One rule: a file is what was run if its hash says so; a name alone proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, file_sum, names_below, whole_path
from harness.errors import BundleError, FileUnusable, Finding, Location
from harness.records import RunRecord
from harness.shuttle import check_shuttle

_SKIPPED = frozenset({"runs", "node_modules", "__pycache__"})


@dataclass(frozen=True)
class Places:
    """Where to look: files that were named, and the folder to search for the others."""

    rack: Path | None = None
    shuttle: Path | None = None
    profile: Path | None = None
    below: Path = Path()


def find_input(run: RunRecord, option: str, places: Places) -> Path:
    """Find the run's ``shuttle``, ``profile`` or ``rack`` file. Raises BundleError."""
    sum_of, subject = _KINDS[option]
    name, sha256 = getattr(run, f"{option}_file"), getattr(run, f"{option}_sha256")
    named: Path | None = getattr(places, option)
    tried: list[Path] = []
    for path in [named] if named is not None else _named(name, places.below):
        if sum_of(path) == sha256:
            return path
        tried.append(path)
    if tried:
        raise BundleError(changed(run, path, subject) for path in tried)
    message = f"no {name} of run {run.run_id} in this folder or below"
    advice = f"run in the folder that contains it, or give --{option}"
    raise BundleError.of("file-missing", whole_path(places.below), message, advice)


def changed(run: RunRecord, path: Path, subject: str) -> Finding:
    """Return the finding for a file that is not what was run."""
    return Finding(
        "changed-since-run",
        Location(path),
        f"{subject} has changed since run {run.run_id}, so it is not what was run",
        "restore the version that was run, or run again and bundle the new run",
    )


def _sum(path: Path) -> str:
    """Return a settings file's SHA-256 in hex, empty if it cannot be read."""
    try:
        return file_sum(path, MAX_SETTINGS_BYTES)
    except FileUnusable:
        return ""


def _shuttle_sum(path: Path) -> str:
    """Return a shuttle's hash, which covers every design.toml too; empty if it cannot be read."""
    shuttle, _ = check_shuttle(path)
    return shuttle.sha256 if shuttle is not None else ""


_KINDS: Mapping[str, tuple[Callable[[Path], str], str]] = {
    "shuttle": (_shuttle_sum, "it or a design.toml it names"),
    "profile": (_sum, "it"),
    "rack": (_sum, "it"),
}
"""How each kind of file is hashed, and what the hash covers."""


def _named(name: str, below: Path) -> Iterator[Path]:
    """Give every file of this name below a folder; hidden folders and reports are left out."""
    if name:
        yield from (path for path in names_below(below, _SKIPPED) if path.name == name)

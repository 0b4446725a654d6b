"""Everything a run gives people and CI, written to one folder.

The one rule: a reader never sees half a file. Each is written beside its place, flushed to the
disk, and renamed; the index comes last, so that what it links to is there.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from harness.door import is_file, whole_path, write_whole
from harness.errors import StoreError
from harness.judge import NightChanges
from harness.records import ChipRecord, RunRecord
from harness_reports.html import since_html
from harness_reports.names import chip_folders, design_page, drawn_outcomes, since_page
from harness_reports.run_files import INDEX, JSON, JUNIT, files_of, scrubbed
from harness_reports.secrets import Scrubber
from harness_reports.ways import ALONE, Beyond

_REASONS = {
    errno.ENOSPC: "the disk is full; make room",
    errno.EDQUOT: "the disk quota is used up; make room",
    errno.EACCES: "the folder is not writable; change its permissions or name another",
    errno.EPERM: "the folder is not writable; change its permissions or name another",
    errno.EROFS: "the file system is read-only; name another folder",
    errno.ENOTDIR: "a file is where a folder should be; name another folder",
    errno.EEXIST: "a file is where a folder should be; name another folder",
    errno.EISDIR: "a folder is where a file should be; name another folder",
    errno.EFBIG: "the file is larger than the system allows",
}

_FULL = {errno.ENOSPC, errno.EDQUOT}


@dataclass(frozen=True)
class WrittenChip:
    """The files of one chip."""

    chip_serial: str
    html: Path
    junit: Path
    waveforms: tuple[Path, ...]


@dataclass(frozen=True)
class WrittenReports:
    """Where everything is."""

    folder: Path
    index: Path
    json: Path
    junit: Path
    chips: tuple[WrittenChip, ...]
    designs: tuple[Path, ...]


def write_run(run: RunRecord, folder: Path, beyond: Beyond = ALONE) -> WrittenReports:
    """Write every report of the run below ``folder``, made if needed.

    ``index.html``, ``run.json`` and ``junit.xml`` stand in the folder itself, and a chip's files
    in ``chips/<serial>/``, a design's page in ``designs/``. Files of an earlier
    writing are replaced. Host paths and addresses with passwords that got into a message are taken
    out. What a night's baseline has already is skipped in the JUnit files. Raises StoreError naming
    the folder and the reason; the record itself is not touched by that.
    """
    shown = Scrubber().record(run)
    for name, make in files_of(shown, scrubbed(beyond), _seen_from_here(folder)).items():
        write_file(folder / name, b"".join(make()), folder)
    names = chip_folders(shown.chips)
    chips = tuple(_written(chip, folder / "chips", names[chip.slot]) for chip in shown.chips)
    designs = tuple(folder / design_page(design) for design in _designs(shown))
    return WrittenReports(folder, folder / INDEX, folder / JSON, folder / JUNIT, chips, designs)


def write_since(run: RunRecord, changes: NightChanges, folder: Path, beyond: Beyond) -> Path:
    """Write the page that compares a run with an earlier one into the folder of its reports.

    The reports are written too if they are not there. Raises StoreError.
    """
    if not is_file(folder / INDEX):
        write_run(run, folder, beyond)
    shown = Scrubber().record(run).overview
    path = folder / since_page(changes.baseline)
    write_file(path, since_html(shown, changes, beyond), folder)
    return path


def _designs(run: RunRecord) -> dict[str, None]:
    return dict.fromkeys(outcome.design for outcome in run.outcomes)


def _seen_from_here(folder: Path) -> str:
    """The folder as CI services name it, from where the tool was started; empty if it is not below.

    A whole path would show whose computer it was.
    """
    whole = whole_path(folder)
    here = whole_path(Path())
    return whole.relative_to(here).as_posix() if whole.is_relative_to(here) else ""


def _written(chip: ChipRecord, parent: Path, name: str) -> WrittenChip:
    own = parent / name
    waveforms = tuple(own / file for file in drawn_outcomes(chip))
    return WrittenChip(chip.chip_serial, own / f"{name}.html", own / f"{name}.xml", waveforms)


def why_unwritable(reason: OSError | ValueError) -> str:
    """Say why a file cannot be written, with what to do about it where that is known."""
    if not isinstance(reason, OSError):
        return "no file can have this name"
    return _REASONS.get(reason.errno or 0, reason.strerror or str(reason))


@contextmanager
def saying_why(what: str) -> Iterator[None]:
    """Turn an OSError into a StoreError: ``what`` cannot be written, and why."""
    try:
        yield
    except OSError as reason:
        raise StoreError(f"{what}: {why_unwritable(reason)}") from reason


def write_file(path: Path, data: bytes, folder: Path) -> None:
    """Write one file whole or not at all, making its parents. Raises StoreError."""
    with _explained(folder, path.name):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, [data])


def remove_file(path: Path, folder: Path) -> None:
    """Remove one file, if it is there. Raises StoreError."""
    with _explained(folder, f"{path.name} cannot be removed"):
        path.unlink(missing_ok=True)


@contextmanager
def _explained(folder: Path, what: str) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError) as reason:
        full = isinstance(reason, OSError) and reason.errno in _FULL
        why = why_unwritable(reason) + (" and write the reports again" if full else "")
        raise StoreError(f"{folder}: reports cannot be written ({what}): {why}") from reason

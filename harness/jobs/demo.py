"""Copy the demo: a shuttle, a board profile and a rack of virtual boards.

One rule: there is one source of its files. In a clone it is ``vectors/`` and ``ci/``; a wheel has
the same files inside the package.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, is_folder, is_there, names_below, read_file
from harness.errors import ConfigError, FileUnusable, Finding, Location
from harness.rack import Slot
from harness.records import Verdict
from harness_reports import write_file

RACK = Path("ci/demo-rack.toml")
FILES = (RACK, Path("ci/wader.toml"))


@dataclass(frozen=True)
class Demo:
    """A copy of the demo: its folder, its rack file, and how many files were written."""

    folder: Path
    rack: Path
    written: int


def copy_demo(folder: str | Path) -> Demo:
    """Copy the demo's files into a folder, which is created if needed.

    Identical files that are already there are left alone. Raises ConfigError, and copies nothing,
    if an existing file differs; StoreError if a file cannot be written.
    """
    source, folder = _source(), Path(folder)
    tables = (path.relative_to(source) for path in names_below(source / "vectors"))
    names = (*FILES, *sorted(name for name in tables if "__pycache__" not in name.parts))
    wanted = {folder / name: read_file(source / name, MAX_SETTINGS_BYTES) for name in names}
    there = {path for path in wanted if is_there(path)}
    other = [path for path in wanted if path in there and not _holds(path, wanted[path])]
    if other:
        advice = "name a new folder, or move this file away"
        raise ConfigError(
            Finding("file-differs", Location(path), "exists, and is not the demo's", advice)
            for path in other
        )
    for path in wanted.keys() - there:
        write_file(path, wanted[path], folder)
    return Demo(folder, folder / RACK, len(wanted) - len(there))


def deserved(slot: Slot) -> tuple[Verdict, str]:
    """Return the verdict that the chip in a virtual slot should get for its faults, and why."""
    if slot.defects:
        return Verdict.FAIL, "the chip is defective: its report names design, cycle and pin"
    if slot.board_faults:
        return Verdict.ERROR, "the board has a bad connection, so the chip was not judged"
    if slot.link_faults:
        return Verdict.ERROR, "the link to the board is bad, so the chip was not judged"
    return Verdict.PASS, "nothing is wrong with chip or board"


def _source() -> Path:
    package = Path(str(files("harness")))
    packed = package / "demo"
    return packed if is_folder(packed) else package.parent


def _holds(path: Path, data: bytes) -> bool:
    try:
        return read_file(path, MAX_SETTINGS_BYTES) == data
    except FileUnusable:
        return False

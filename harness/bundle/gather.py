"""Gathers a run's inputs from this computer: checked against the run, and without secrets.

One rule: what goes into a bundle is what was run, or the bundle says which file is not byte for
byte and there is no bundle at all if the tables would then mean something else.
"""

from __future__ import annotations

import getpass
import hashlib
import socket
import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.bundle.archive import MAX_FILE_BYTES
from harness.bundle.contents import BundleInputs
from harness.bundle.find import Places, changed, find_input
from harness.bundle.listing import (
    DESIGN,
    SHUTTLE,
    DesignListing,
    design_folders,
    list_design,
    read_values,
)
from harness.bundle.sheets import SHEETS, refuse_unfit_sheet, sheet_without_secrets
from harness.door import MAX_SETTINGS_BYTES, file_sum, read_file, whole_path
from harness.errors import BundleError, Finding, Location
from harness.records import ChipRecord, Outcome, RunRecord
from harness.shuttle import toml_text
from harness_reports import Scrubber

PROFILE, SLOT = "board.toml", "slot.toml"
"""Names of the board profile and of the slot among a bundle's inputs."""

_FAULTS = ("defect", "board_fault", "link_fault")


@dataclass(frozen=True)
class Sources:
    """Files as they are on this computer, by their names among the inputs; ``slot`` is made."""

    files: Mapping[str, Path]
    slot: str


def find_sources(run: RunRecord, chip: ChipRecord, places: Places) -> Sources:
    """Find every file of the chip's outcomes and check it against the run.

    Raises BundleError with a finding for every file that has changed, is missing, or cannot
    stand in a bundle.
    """
    shuttle = find_input(run, "shuttle", places)
    profile = find_input(run, "profile", places)
    designs = _designs(shuttle, {outcome.design for outcome in chip.outcomes})
    slot = _slot(run, chip, places, set(designs))
    root = whole_path(shuttle).parent
    names = [name for design in designs.values() for name in design.files]
    files = {name: root / name for name in names}
    troubles = [*_outside(files, root), *_changed_tables(run, chip.outcomes, designs, root)]
    if troubles:
        raise BundleError(troubles)
    return Sources(files | {SHUTTLE: shuttle, PROFILE: profile}, slot)


def scrubber_of_this_computer(shuttle: Path, words: Iterable[str]) -> Scrubber:
    """Return a scrubber that knows this computer's user, name and folders.

    ``words`` are names that the inputs need: a user who is called like a design stays. In a
    container an account may have no name and no home; what is unknown is not searched for.
    """
    kept = frozenset(words)
    home, cwd = _known(lambda: str(Path.home())), _known(lambda: str(Path.cwd()))
    host, *domain = _known(socket.gethostname).split(".", 1)
    names = {_known(getpass.getuser), Path(home).name, host, *(d for d in domain if "." in d)}
    low = {word.lower() for word in kept} | {"localhost", ""}
    known = {name for name in names if name.lower() not in low}
    folders = {home, cwd, str(whole_path(shuttle).parent), _known(tempfile.gettempdir)} - {""}
    return Scrubber(tuple(sorted(known)), tuple(sorted(folders)), kept)


def _known(ask: Callable[[], str]) -> str:
    """Return what this computer says about itself, or nothing where it does not know."""
    try:
        return ask()
    except (ImportError, KeyError, OSError, RuntimeError):
        return ""


def without_secrets(sources: Sources, scrubber: Scrubber) -> BundleInputs:
    """Read every file and take secrets out. Raises FileUnusable for one that cannot be read."""
    files: dict[str, bytes] = {}
    altered: dict[str, str] = {}
    for name, path in sources.files.items():
        data = read_file(path, MAX_FILE_BYTES)
        if name.lower().endswith(SHEETS):
            refuse_unfit_sheet(data, path)
        files[name] = _scrubbed(name, data, scrubber)
        if files[name] != data:
            altered[name] = hashlib.sha256(data).hexdigest()
    return BundleInputs(files | {SLOT: scrubber.text(sources.slot).encode()}, altered)


def _scrubbed(name: str, data: bytes, scrubber: Scrubber) -> bytes:
    if name.lower().endswith(SHEETS):
        return sheet_without_secrets(data, scrubber)
    # every byte survives the way to text and back, whatever the encoding
    text = data.decode("utf-8", "surrogateescape")
    return scrubber.text(text).encode("utf-8", "surrogateescape")


def _designs(shuttle: Path, wanted: set[str]) -> dict[str, DesignListing]:
    """List the wanted designs of a shuttle that has been checked, by name."""
    values = read_values(read_file(shuttle, MAX_SETTINGS_BYTES), shuttle)
    designs: dict[str, DesignListing] = {}
    for folder in design_folders(values, shuttle):
        path = shuttle.parent / folder / DESIGN
        # a design that is not asked for may have files that could not stand in a bundle
        data = read_file(path, MAX_SETTINGS_BYTES)
        if read_values(data, path).get("name") in wanted:
            design = list_design(folder, data, path)
            designs[design.name] = design
    return designs


def _slot(run: RunRecord, chip: ChipRecord, places: Places, designs: set[str]) -> str:
    """Describe a virtual slot with its invented faults; a real one by its serials alone."""
    slot: dict[str, Any] = {"chip": chip.chip_serial, "board": chip.board_serial}
    if chip.virtual and run.rack_file:
        path = find_input(run, "rack", places)
        written = read_values(read_file(path, MAX_SETTINGS_BYTES), path).get("slot", [])
        own: dict[str, Any] = next((s for s in written if s.get("name") == chip.slot), {})
        for key in _FAULTS:
            faults = [f for f in own.get(key, []) if f.get("design", "") in {"", *designs}]
            slot |= {key: faults} if faults else {}
    return toml_text(slot)


def _outside(files: Mapping[str, Path], root: Path) -> Iterable[Finding]:
    """Find links that lead out of the shuttle's folder: a bundle hands its files to strangers."""
    for path in files.values():
        if not whole_path(path).is_relative_to(root):
            message = "the file is a link out of the shuttle's folder"
            advice = "replace the link with a copy of the file"
            yield Finding("not-for-a-bundle", Location(path), message, advice)


def _changed_tables(
    run: RunRecord, outcomes: Iterable[Outcome], designs: Mapping[str, DesignListing], root: Path
) -> Iterable[Finding]:
    for outcome in outcomes:
        path = root / designs[outcome.design].tables[outcome.table]
        if file_sum(path, MAX_FILE_BYTES) != outcome.table_sha256:
            yield changed(run, path, f"table {outcome.design}/{outcome.table}")

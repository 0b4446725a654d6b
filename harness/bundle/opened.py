"""Lays a bundle's inputs out in a folder of their own and reads them with the usual readers.

One rule: nothing in a bundle is trusted. Names were checked, files it does not hold are refused
before a reader looks for them, and of a slot only the invented faults are read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.board import BoardProfile, load_profile
from harness.bundle.archive import name_trouble
from harness.bundle.contents import INPUTS
from harness.bundle.gather import PROFILE, SLOT
from harness.bundle.listing import DESIGN, SHUTTLE, design_folders, list_design, read_values
from harness.bundle.sheets import SHEETS, refuse_unfit_sheet
from harness.door import whole_path
from harness.errors import BundleError, Finding, HarnessError, InputError, Location
from harness.rack import Slot, load_virtual_slot
from harness.shuttle import Shuttle, load_shuttle, pattern_of, toml_text

_KEPT = ("name", "organisation", "pins")


@dataclass(frozen=True, eq=False)
class Opened:
    """A bundle's inputs as values. ``slot`` is virtual, with the faults that were invented."""

    shuttle: Shuttle
    profile: BoardProfile
    slot: Slot


def lay_out(files: Mapping[str, bytes], folder: Path, place: Path) -> Opened:
    """Write the inputs below an empty folder and read them.

    ``place`` is the bundle, for complaints. Raises BundleError for a file that is not in the
    bundle, and ConfigError with every finding of the readers.
    """
    inside = place / INPUTS
    values = read_values(_file(files, SHUTTLE, place), inside / SHUTTLE)
    held = [f for f in design_folders(values, inside / SHUTTLE) if f"{f}/{DESIGN}" in files]
    if not held:
        raise _missing(place, DESIGN)
    chip = str(read_values(_file(files, SLOT, place), inside / SLOT).get("chip", ""))
    wanted = {SHUTTLE: _own_shuttle(values, held, chip)}
    wanted |= {name: _file(files, name, place) for name in (PROFILE, SLOT)}
    for name in held:
        data = files[f"{name}/{DESIGN}"]
        for file in list_design(name, data, inside / name / DESIGN).files:
            wanted[file] = _file(files, file, place)
    for name, data in wanted.items():
        if name.lower().endswith(SHEETS):
            refuse_unfit_sheet(data, inside / name)
        _write(folder, name, data, place)
    shuttle = load_shuttle(folder / SHUTTLE)
    profile = load_profile(folder / PROFILE, shuttle)
    return Opened(shuttle, profile, load_virtual_slot(folder / SLOT, shuttle))


@contextmanager
def findings_at(place: Path, folder: Path) -> Iterator[None]:
    """Let complaints about files below a folder name the bundle that they come from."""

    def moved(finding: Finding) -> Finding:
        where = finding.location
        if where.path.is_relative_to(folder):
            where = replace(where, path=place / where.path.relative_to(folder))
        if where.path.name == SHUTTLE:  # lines of the narrowed one, which nobody has
            where = Location(where.path)
        message, advice = (
            text.replace(str(folder), str(place)) for text in (finding.message, finding.advice)
        )
        return replace(finding, location=where, message=message, advice=advice)

    try:
        yield
    except InputError as error:
        raise type(error)(moved(finding) for finding in error.findings) from error
    except HarnessError as error:
        raise type(error)(str(error).replace(str(folder), str(place))) from error
    except RecursionError as error:
        message, advice = "values in it are nested too deeply", "do not use it"
        raise BundleError.of("not-a-bundle", place, message, advice) from error


def _own_shuttle(values: Mapping[str, Any], held: list[str], chip: str) -> bytes:
    """Narrow the shuttle to this chip and the designs held.

    Only what a chip is goes in. Waivers stay out, since a replay shows what the chip does.
    """
    own = {key: values[key] for key in _KEPT if key in values}
    none = "-"  # a slot without a chip is for the slot's reader to complain about
    own |= {"designs": held, "chip_serial": pattern_of(chip or none)}
    return toml_text(own).encode("utf-8")


def _file(files: Mapping[str, bytes], name: str, place: Path) -> bytes:
    if name not in files:
        raise _missing(place, name)
    return files[name]


def _write(folder: Path, name: str, data: bytes, place: Path) -> None:
    """Write one file below the folder; a name that leads elsewhere is refused once more."""
    path = folder / name
    if name_trouble(name) or not whole_path(path).is_relative_to(whole_path(folder)):
        raise BundleError.of(
            "unsafe-name", place, f"{name!r} leads out of the bundle", "do not use it"
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def _missing(place: Path, name: str) -> BundleError:
    message = f"{name} is not in the bundle"
    advice = "ask the bundle's maker for a new copy"
    return BundleError.of("file-missing", place, message, advice)

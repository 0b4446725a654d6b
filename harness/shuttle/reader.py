"""Reads ``shuttle.toml`` and every design that it names.

One rule: :func:`check_shuttle` reports all findings at once and never raises for the content of a
file; :func:`load_shuttle` does the same for callers that need a shuttle without errors.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from harness.door import is_folder, whole_path
from harness.errors import ConfigError, Finding, Findings
from harness.shuttle.checks import is_there, stays_inside
from harness.shuttle.design_file import DesignFile, read_design
from harness.shuttle.model import MAX_PINS, Design, Pin, Shuttle
from harness.shuttle.pins import read_pins
from harness.shuttle.serials import pattern_trouble
from harness.shuttle.tomlfile import TomlTable, nearest, read_toml
from harness.shuttle.waivers import read_waiver


def load_shuttle(path: str | Path) -> Shuttle:
    """Return the shuttle of a ``shuttle.toml`` (or of the folder that holds one).

    Raises :class:`ConfigError` with every finding when any is an error.
    """
    return ConfigError.unless_sound(*check_shuttle(Path(path)))


def check_shuttle(path: Path) -> tuple[Shuttle | None, list[Finding]]:
    """Read a shuttle and all findings about it, in file order.

    The shuttle is None when the file is not TOML or has more pins than a word has bits. With
    errors among the findings it has the parts that could be read: enough to check the tables of
    its valid designs, but not to run.
    """
    findings = Findings()
    file = path / "shuttle.toml" if is_folder(path) else path
    top = read_toml(file, findings)
    shuttle = _shuttle(top) if top is not None else None
    if shuttle is not None and len(shuttle.pins) > MAX_PINS:
        shuttle = None
    return shuttle, findings.in_order


def _shuttle(top: TomlTable) -> Shuttle:
    name, organisation = top.text("name"), top.text("organisation")
    serial = _serial(top)
    pins, active_low = read_pins(top.table("pins"))
    by_name = {pin.name: pin for pin in pins}
    files = _designs(top, by_name)
    designs = {file.design.name: file.design for file in files}
    waivers = [read_waiver(table, designs, by_name, serial) for table in top.tables("waiver")]
    pin_check = _pin_check(top, designs)
    top.finish()
    return Shuttle(
        name=name,
        organisation=organisation,
        chip_serial=serial,
        pins=pins,
        designs=tuple(file.design for file in files),
        path=whole_path(top.path),
        sha256=_hash([top, *(file.top for file in files)]),
        reset_active_low=active_low,
        waivers=tuple(waivers),
        pin_check=pin_check,
    )


def _pin_check(top: TomlTable, designs: dict[str, Design]) -> tuple[str, ...]:
    """Read the tables of the pin check; each must exist."""
    names = top.strings("pin_check", ())
    known = {f"{d.name}/{spec.name}": spec for d in designs.values() for spec in d.tables}
    for index, name in enumerate(names):
        if name not in known:
            message = f'there is no table "{name}"'
            top.error("unknown-table", "pin_check", message, nearest(name, known), index)
    return names


def _hash(tables: list[TomlTable]) -> str:
    """SHA-256 over the SHA-256 of each file, so that moving bytes between files changes it."""
    total = hashlib.sha256()
    for table in tables:
        total.update(bytes.fromhex(table.sha256))
    return total.hexdigest()


def _serial(top: TomlTable) -> str:
    serial = top.text("chip_serial")
    trouble = pattern_trouble(serial)
    if trouble:
        top.error(
            "bad-regular-expression",
            "chip_serial",
            f"not a valid regular expression: {trouble}",
            'write something like "SP2-[0-9]{4}"',
        )
        return ".*"
    return serial or ".*"


def _designs(top: TomlTable, pins: dict[str, Pin]) -> list[DesignFile]:
    """Read every design that the shuttle names, except files that are not TOML."""
    folders = top.strings("designs")
    if not folders and isinstance(top.raw("designs"), list):
        top.error(
            "no-designs", "designs", "the shuttle has no designs", "name at least one design folder"
        )
    read = [_design(top, folder, index, pins) for index, folder in enumerate(folders)]
    files = [file for file in read if file is not None]
    _compare(files)
    return files


def _design(top: TomlTable, folder: str, index: int, pins: dict[str, Pin]) -> DesignFile | None:
    within = top.path.parent
    path = within / folder / "design.toml"
    if not stays_inside(path, folder, top, ("designs", index), within):
        return None
    missing = f'design "{folder}" has no file {path}', "correct the folder's name or add the file"
    if not is_there(path, f"{folder}/design.toml", top, ("designs", index), missing):
        return None
    return read_design(path, pins, within, top.findings.of_file(path))


def _compare(files: list[DesignFile]) -> None:
    """Report names and addresses that a design shares with an earlier one."""
    names: dict[str, Design] = {}
    addresses: dict[int, Design] = {}
    for file in files:
        design = file.design
        other = names.setdefault(design.name, design)
        if design.name and other is not design:
            file.top.error(
                "design-name-twice",
                "name",
                f'the design in {other.folder.name}/ is also called "{design.name}"',
                "give each design its own name, and list each folder once",
            )
        other = addresses.setdefault(design.address, design)
        if design.address >= 0 and other is not design:
            file.top.error(
                "address-twice",
                "address",
                f'address {design.address} is already used by design "{other.name}"',
                "give each design its own address",
            )

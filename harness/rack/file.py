"""Reads a rack file: slots, chips, ports, and the faults of virtual slots.

One rule: one reading finds everything that is wrong, in the shuttle and the profile that the file
names too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from harness.board import BoardProfile, check_profile, load_profile
from harness.errors import (
    ConfigError,
    Finding,
    Findings,
    HarnessError,
    InputError,
    Severity,
    some,
)
from harness.link import names_user, shown_address
from harness.rack.faults import read_faults
from harness.rack.lock import real_name
from harness.rack.model import VIRTUAL_PORT, Rack, Slot
from harness.rack.sections import (
    LOGIN,
    USUAL,
    Recovery,
    check_address,
    read_night_margins,
    read_recovery,
    read_supply,
)
from harness.records import UNKNOWN_CHIP
from harness.shuttle import Shuttle, TomlTable, is_serial, load_shuttle, read_toml, take_up_to
from harness.supply import SupplySpec

Read = TypeVar("Read")

MAX_SUPPLY_MA = 5_000
MAX_SHOWN = 5
"""Maximum number of slots that are named."""


def load_rack(path: str | Path) -> Rack:
    """Read a rack file. Raises ConfigError with every finding if anything is wrong."""
    rack, findings = check_rack(Path(path))
    errors = [finding for finding in findings if finding.severity is Severity.ERROR]
    if rack is None or errors:
        raise ConfigError(errors)
    return rack


def check_rack(path: Path) -> tuple[Rack | None, list[Finding]]:
    """Read a rack file; returns the rack (None if it cannot be used) and every finding."""
    findings = Findings()
    top = read_toml(path, findings)
    if top is None:
        return None, findings.items
    name = top.take("name", str, path.stem)
    shuttle = _read_beside(top, "shuttle", load_shuttle)
    profile = _read_profile(top, shuttle)
    usual = read_recovery(top, USUAL)
    supply = read_supply(top, profile)
    margins = read_night_margins(top, shuttle)
    slots = top.tables("slot")
    if not slots:
        top.error("missing-key", "slot", "this rack has no slot", "add a [[slot]]")
    read = [_slot(slot, shuttle, usual) for slot in slots]
    _check_doubles(slots)
    _check_supply(slots, supply)
    top.finish()
    if findings.errors or shuttle is None or profile is None:
        return None, findings.items
    whole = tuple(slot for slot in read if slot is not None)
    rack = Rack(name, shuttle, profile, whole, path, top.sha256, supply, margins)
    _note_backend(top, rack)
    return rack, findings.items


def _chip_trouble(shuttle: Shuttle, serial: str) -> str:
    """Say why a chip serial number cannot belong to this shuttle; empty if it can."""
    wanted = shuttle.chip_serial
    if is_serial(wanted, serial):
        return ""
    return f'chip serial "{serial}" is not one of {shuttle.name}, whose serials match {wanted}'


def _read_profile(top: TomlTable, shuttle: Shuttle | None) -> BoardProfile | None:
    if shuttle is None:
        top.take("profile", str)
        return None

    def read(path: Path) -> BoardProfile | None:
        profile, findings = check_profile(path, shuttle)
        top.findings.extend(one for one in findings if one.severity is not Severity.NOTE)
        return profile

    return _read_beside(top, "profile", read)


def _note_backend(top: TomlTable, rack: Rack) -> None:
    """Say what drives the pins of boards, as a run does; virtual slots have virtual pins."""
    names = [slot.name for slot in rack.slots if not slot.virtual]
    if names:
        top.findings.note(
            "backend-chosen",
            top.location("profile"),
            f"slot{'s' * (len(names) > 1)} {some(names, MAX_SHOWN)}: "
            f"{rack.profile.name}, {rack.profile.driven_text}",
            'set "backend" in the profile to choose another',
        )


def _read_beside(top: TomlTable, key: str, read: Callable[[Path], Read]) -> Read | None:
    """Read the file that a key names, relative to the rack file; takes over its findings."""
    written = top.take(key, str)
    if written is None:
        return None
    try:
        return read(top.path.parent / written)
    except InputError as error:
        top.findings.extend(error.findings)
    except (HarnessError, OSError) as error:
        top.error("unreadable-file", key, f"{written}: {error}", "correct the path or the file")
    return None


def _slot(table: TomlTable, shuttle: Shuttle | None, usual: Recovery) -> Slot | None:
    """Read one slot; the shuttle is needed to check pins, designs and chip serials."""
    name, chip = table.take("name", str), table.take("chip", str)
    port, board = table.take("port", str, ""), table.take("board", str, "")
    power, patience_s = read_recovery(table, usual)
    draws = _draws(table, port)
    check_address(table, port)
    if not port and not board:
        table.error(
            "missing-key",
            "port",
            f"slot {name} has neither a port nor a board",
            'write port = "…", or board = "…" to find the board by its USB serial number',
        )
    if shuttle is None:
        for key in ("defect", "board_fault", "link_fault"):
            _accept(table, key)
        return None
    if chip is not None:
        _check_chip(table, chip, shuttle)
    faults = read_faults(table, shuttle)
    if any(faults) and port != VIRTUAL_PORT:
        table.error(
            "fault-on-hardware",
            "port",
            f"slot {name} has invented faults but a real port",
            f'write port = "{VIRTUAL_PORT}" or remove the faults',
        )
    if name is None or chip is None:
        return None
    cycle = power if power.command else None
    return Slot(name, port, board, chip, *faults, cycle, patience_s, draws)


def check_port(port: str) -> None:
    """Refuse a port given on the command line that contains a login; raises ConfigError.

    The message does not repeat the login.
    """
    if names_user(port):
        advice = f'write "{shown_address(port)}"'
        raise ConfigError.of("login-in-port", Path("port"), LOGIN, advice)


def _draws(table: TomlTable, port: str) -> float | None:
    """Read the supply current of a virtual chip."""
    if "supply_ma" not in table:
        return None
    if port != VIRTUAL_PORT:
        message = "only a virtual chip can be given a supply current"
        table.error(
            "fault-on-hardware", "supply_ma", message, "remove it; a real board measures it"
        )
    return take_up_to(table, "supply_ma", 0.0, MAX_SUPPLY_MA)


def _accept(table: TomlTable, key: str) -> None:
    """Skip faults that need a shuttle to be checked; their keys leave no findings."""
    for fault in table.tables(key):
        for name in fault.values:
            fault.raw(name)


def _check_chip(table: TomlTable, chip: str, shuttle: Shuttle) -> None:
    trouble = _chip_trouble(shuttle, chip)
    if trouble:
        advice = "write the serial number as printed on the chip"
        table.error("chip-serial", "chip", trouble, advice)


def _check_doubles(slots: Sequence[TomlTable]) -> None:
    """Refuse a name, chip, board or port that two slots share.

    Serial numbers that differ only in case are the same: files are named after them.
    """
    _check_unique(slots, "name", "slot name", str)
    for key in ("chip", "board"):
        _check_unique(slots, key, key, str.casefold)
    _check_unique(slots, "port", "port", _device)


def _device(port: str) -> str:
    return "" if port == VIRTUAL_PORT else real_name(port)


def _check_supply(slots: Sequence[TomlTable], supply: SupplySpec | None) -> None:
    """Refuse a slot at the bench supply's port, and a virtual supply for a real chip."""
    if supply is None:
        return
    for slot in slots:
        port = slot.values.get("port")
        if supply.port == VIRTUAL_PORT and port != VIRTUAL_PORT:
            message = "the bench supply is virtual, but this slot is not"
            slot.error("virtual-supply", "port", message, "name the real supply in [supply]")
        if isinstance(port, str) and _device(port) == _device(supply.port) != "":
            message = f'port "{shown_address(port)}" is the bench supply\'s'
            slot.error("doubled-port", "port", message, "every slot has its own")


def _check_unique(
    slots: Sequence[TomlTable], key: str, what: str, identity: Callable[[str], str]
) -> None:
    first: dict[str, tuple[str, int]] = {}
    for slot in slots:
        value = slot.values.get(key)
        same = identity(value) if isinstance(value, str) else ""
        if not same:
            continue
        if same in first:
            shown, (before, line) = shown_address(str(value)), first[same]
            written = f' as "{before}"' if before != shown else ""
            message = f'{what} "{shown}" is already used in line {line}{written}'
            slot.error(f"doubled-{key}", key, message, "every slot has its own")
        else:
            first[same] = (shown_address(str(value)), slot.location(key).line)


def single_slot(port: str, chip: str, board: str, shuttle_path: Path, profile_path: Path) -> Rack:
    """Make a rack of one slot without a rack file; ``chip`` may be empty if it is not known.

    Raises ConfigError for a wrong shuttle or profile, a chip serial number that is not of this
    shuttle, or a login in the port's URL.
    """
    check_port(port)
    shuttle = load_shuttle(shuttle_path)
    profile = load_profile(profile_path, shuttle)
    trouble = _chip_trouble(shuttle, chip) if chip else ""
    if trouble:
        advice = "give the serial number as printed on the chip"
        raise ConfigError.of("chip-serial", shuttle.path, trouble, advice)
    slot = Slot("A1", port, board, chip or UNKNOWN_CHIP)
    return Rack("one slot", shuttle, profile, (slot,))


def load_virtual_slot(path: Path, shuttle: Shuttle) -> Slot:
    """Read a file that describes one virtual slot, named A1. Raises ConfigError with every finding.

    Such a file may come from a stranger, so it can name no port and no command; any key other than
    serial numbers and faults is unknown.
    """
    findings = Findings()
    top = read_toml(path, findings)
    if top is None:
        raise ConfigError(findings.items)
    faults = read_faults(top, shuttle)
    board, chip = top.take("board", str, ""), top.take("chip", str) or ""
    slot = Slot("A1", VIRTUAL_PORT, board, chip, *faults)
    top.finish()
    if findings.errors:
        raise ConfigError(findings.errors)
    return slot

"""Reads ``[pins]`` of a shuttle: the chip's pins and their bit positions.

One rule: bits are assigned in the order inputs, outputs, bidirectional, clock, reset, select, not
in that of the file, so that two files about one chip give the same words.
"""

from __future__ import annotations

from harness.errors import Location
from harness.shuttle.model import MAX_PINS, Direction, Pin
from harness.shuttle.names import take_pins
from harness.shuttle.tomlfile import TomlTable, nearest

_LISTS = {
    "inputs": Direction.INPUT,
    "outputs": Direction.OUTPUT,
    "bidirectional": Direction.BIDIRECTIONAL,
}
_LEVELS = ("low", "high")

Named = tuple[str, Location]


def read_pins(table: TomlTable | None) -> tuple[tuple[Pin, ...], bool]:
    """Return the chip's pins in bit order, and whether its reset is active low.

    A pin listed twice is kept once, after a finding; so are pins beyond ``MAX_PINS``.
    """
    if table is None:
        return (), True
    listed: list[tuple[Direction, Named]] = []
    for key, direction in _LISTS.items():
        listed += [(direction, pin) for pin in _listed(table, key)]
    listed += [(Direction.CLOCK, pin) for pin in _single(table, "clock")]
    reset, active_low = _reset(table)
    listed += [(Direction.RESET, pin) for pin in reset]
    listed += [(Direction.SELECT, pin) for pin in _listed(table, "select")]
    return _number(table, listed), active_low


def _listed(table: TomlTable, key: str) -> tuple[Named, ...]:
    return take_pins(table, key) if key in table else ()


def _single(table: TomlTable, key: str) -> tuple[Named, ...]:
    """Read a key that names one pin."""
    pins = _listed(table, key)
    if len(pins) > 1:
        table.error("one-pin-only", key, f'"{key}" names {len(pins)} pins', "name only one")
    return pins[:1]


def _reset(table: TomlTable) -> tuple[tuple[Named, ...], bool]:
    """Read ``reset = { pin = "nreset", active = "low" }``."""
    below = table.maybe_table("reset")
    if below is None:
        return (), True
    active = below.take("active", str, "low")
    if active not in _LEVELS:
        below.error("bad-level", "active", f'"{active}" is not a level', nearest(active, _LEVELS))
    if "pin" not in below:
        below.missing("pin", "the name of the reset pin")
    return _single(below, "pin"), active != "high"


def _number(table: TomlTable, listed: list[tuple[Direction, Named]]) -> tuple[Pin, ...]:
    pins: dict[str, Pin] = {}
    for direction, (name, place) in listed:
        if name in pins:
            table.findings.error(
                "pin-listed-twice",
                place,
                f'pin "{name}" is already listed as {pins[name].direction}',
                "list each pin once",
            )
        else:
            pins[name] = Pin(name, direction, len(pins))
    if len(pins) > MAX_PINS:
        table.findings.error(
            "too-many-pins",
            table.location(),
            f"the chip has {len(pins)} pins; a vector holds at most {MAX_PINS}",
            "leave out pins that no table drives or tests",
        )
    if not pins:
        table.findings.error(
            "no-pins", table.location(), "the chip has no pins", "list its inputs and outputs"
        )
    return tuple(pins.values())

"""Reads ``[signals]`` of a design: Verilog ports and the chip pins they are wired to.

One rule: a signal's direction follows from its pins; an author writes it only if a design uses a
bidirectional chip pin in one direction.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.errors import Findings, Location
from harness.shuttle.model import Bus, Direction, Pin
from harness.shuttle.names import RESERVED, bad_name, is_name, take_pins
from harness.shuttle.tomlfile import TomlTable, nearest

_ROLE = {
    Direction.INPUT: Direction.INPUT,
    Direction.CLOCK: Direction.INPUT,
    Direction.RESET: Direction.INPUT,
    Direction.OUTPUT: Direction.OUTPUT,
    Direction.BIDIRECTIONAL: Direction.BIDIRECTIONAL,
}
_CHOICES = {role.value: role for role in _ROLE.values()}


def read_signals(table: TomlTable | None, pins: Mapping[str, Pin]) -> tuple[Bus, ...]:
    """Read every signal of a design; those with errors are left out after findings."""
    if table is None:
        return ()
    if not table.values:
        table.findings.error(
            "no-signals",
            table.location(),
            "the design has no signals",
            "list each Verilog port with its chip pins",
        )
    owner: dict[str, str] = {}
    signals = [_signal(table, name, pins, owner) for name in table]
    return tuple(signal for signal in signals if signal is not None)


def _signal(
    table: TomlTable, name: str, pins: Mapping[str, Pin], owner: dict[str, str]
) -> Bus | None:
    _check_name(table, name)
    holder, key, wish = table, name, ""
    if isinstance(table.raw(name), dict):
        below = table.maybe_table(name)
        assert below is not None
        holder, key = below, "pins"
        wish = below.take("direction", str, "")
    written = take_pins(holder, key)
    members = tuple(_members(table.findings, name, written, pins, owner))
    if not members or len(members) != len(written):
        return None
    direction = _direction(holder, name, members, wish)
    return Bus(name, members, direction) if direction else None


def _check_name(table: TomlTable, name: str) -> None:
    if not is_name(name):
        bad_name(table, table.location(name), name)
    if name in RESERVED:
        table.error(
            "reserved-name",
            name,
            f'"{name}" is reserved for a column of tables',
            "rename the signal and its Verilog port",
        )


def _members(
    findings: Findings,
    signal: str,
    written: tuple[tuple[str, Location], ...],
    pins: Mapping[str, Pin],
    owner: dict[str, str],
) -> Iterator[Pin]:
    """Valid pins of a signal; the others become findings. ``owner`` maps each pin to its signal."""
    usable = [name for name, pin in pins.items() if pin.direction in _ROLE]
    for name, place in written:
        pin = pins.get(name)
        if pin is None:
            findings.error(
                "unknown-pin", place, f'the chip has no pin "{name}"', nearest(name, usable)
            )
        elif pin.direction not in _ROLE:
            findings.error(
                "select-pin-used",
                place,
                f'"{name}" selects the design, so no design can use it',
                "use another pin",
            )
        else:
            yield pin
        if name in owner:
            other = "this signal" if owner[name] == signal else f'signal "{owner[name]}"'
            findings.error(
                "pin-used-twice",
                place,
                f'pin "{name}" is already used by {other}',
                "give each signal its own pins",
            )
        owner.setdefault(name, signal)


def _direction(
    table: TomlTable, name: str, members: tuple[Pin, ...], wish: str
) -> Direction | None:
    """Return the signal's direction, or None after a finding."""
    roles = {_ROLE[pin.direction] for pin in members}
    if not wish:
        if len(roles) == 1:
            return roles.pop()
        table.findings.error(
            "mixed-directions",
            table.location() if table.title.endswith(name) else table.location(name),
            f'"{name}" mixes {" and ".join(sorted(roles))} pins',
            f'split it, or write {name} = {{ pins = …, direction = "output" }} (or "input")',
        )
        return None
    if wish not in _CHOICES:
        table.error(
            "bad-direction",
            "direction",
            f'"{wish}" is not a direction',
            nearest(wish, _CHOICES),
        )
        return None
    return _wished(table, members, _CHOICES[wish])


def _wished(table: TomlTable, members: tuple[Pin, ...], wish: Direction) -> Direction | None:
    """Allow a direction that every pin supports: bidirectional pins any, others their own."""
    for pin in members:
        if _ROLE[pin.direction] not in (Direction.BIDIRECTIONAL, wish):
            table.error(
                "bad-direction",
                "direction",
                f'chip pin "{pin.name}" has direction {pin.direction}, so this cannot be {wish}',
                "use bidirectional pins, or remove the direction",
            )
            return None
    return wish

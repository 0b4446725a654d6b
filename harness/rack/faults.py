"""Reads the faults of a virtual slot from the rack file.

One rule: a kind is a class of ``harness.virtual.faults``, read by its fields. The pins, nets and
designs that faults name are checked against the shuttle and its netlists during reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args, get_type_hints

from harness.errors import NetlistError, netlist_advice
from harness.netlist import Netlist, PortDirection, load_netlist
from harness.shuttle import Direction, Shuttle, TomlTable, expand_range, nearest
from harness.virtual import BoardFault, ChipDefect, LinkFault, Within

_OUTPUTS = (Direction.OUTPUT, Direction.BIDIRECTIONAL)
Faults = tuple[tuple[ChipDefect, ...], tuple[BoardFault, ...], tuple[LinkFault, ...]]


def read_faults(slot: TomlTable, shuttle: Shuttle) -> Faults:
    """Read ``[[slot.defect]]``, ``[[slot.board_fault]]`` and ``[[slot.link_fault]]``.

    Invalid faults leave findings and are left out.
    """
    return (
        tuple(_each(slot.tables("defect"), DEFECTS, shuttle)),
        tuple(_each(slot.tables("board_fault"), BOARD_FAULTS, shuttle)),
        tuple(_each(slot.tables("link_fault"), LINK_FAULTS, shuttle)),
    )


def _each(tables: list[TomlTable], kinds: Mapping[str, type], shuttle: Shuttle) -> Iterator[Any]:
    for table in tables:
        name = table.take("kind", str)
        if name is None:
            continue
        if name not in kinds:
            table.error("unknown-kind", "kind", f'no kind "{name}" here', nearest(name, kinds))
            continue
        hints = get_type_hints(kinds[name], include_extras=True)
        fault = _Fault(table, shuttle)
        for one in fields(kinds[name]):
            fault.values[one.name] = fault.value(one, hints[one.name])
        if None not in fault.values.values():
            yield kinds[name](**fault.values)


@dataclass(frozen=True)
class _Fault:
    """The table of one fault, and what was read of it so far, in the order of its class."""

    table: TomlTable
    shuttle: Shuttle
    values: dict[str, Any] = field(default_factory=dict)

    def value(self, field: Field[Any], hint: Any) -> Any:
        """Read the value of a field by its type in ``harness.virtual.faults``."""
        key = field.name
        kind = getattr(hint, "__origin__", hint)
        (what,) = getattr(hint, "__metadata__", ("",))
        if what == "pins":
            return self.pins(key)
        value = self.table.take(key, kind, None if field.default is MISSING else field.default)
        if value is None:
            return None
        match what:
            case "pin" | "output":
                return self.pin(key, value, what)
            case "design":
                return self.known(key, value, self.shuttle.designs_by_name, what)
            case "net":
                return self.net(key, value)
        advice = _why_out_of_range(value, what)
        if advice:
            rule = "out-of-range" if kind is not str else "unknown-kind"
            shown = value if kind is not str else f'"{value}"'
            self.table.error(rule, key, f'"{key}" is {shown}', advice)
            return None
        return value

    def pin(self, key: str, name: str, what: str) -> str | None:
        """Check that a pin exists, is driven by the chip if it must be, and is named once."""
        pin = self.shuttle.pins_by_name.get(name)
        if what == "output" and pin is not None and pin.direction not in _OUTPUTS:
            message = f'"{name}" is not an output; its direction is {pin.direction}'
            self.table.error("not-an-output", key, message, "name a pin that the chip drives")
            return None
        if key == "pin_b" and name == self.values["pin_a"]:
            self.table.error("same-pin", key, f'"{name}" is pin_a too', "name two different pins")
            return None
        return self.known(key, name, self.shuttle.pins_by_name, "pin")

    def pins(self, key: str) -> tuple[str, ...] | None:
        """Read a list of at least two different pins, with ranges."""
        names = tuple(
            name for text in self.table.strings(key) for name in expand_range(text) or (text,)
        )
        known = [self.known(key, name, self.shuttle.pins_by_name, "pin") for name in names]
        if len(set(names)) < max(len(names), 2):
            self.table.error(
                "too-few-pins",
                key,
                f'"{key}" names fewer than two pins, or one twice',
                "name different pins",
            )
            return None
        return None if None in known else names

    def net(self, key: str, name: str) -> str | None:
        """Check that a net exists and is driven; an unreadable netlist leaves a finding too."""
        design = self.values["design"]
        if design is None:
            return name
        where = self.shuttle.designs_by_name[design]
        if where.netlist is None:
            self.table.error(
                "no-netlist",
                "design",
                f'design "{design}" has no netlist, so it cannot have a fault',
                f"name a design that has one, or {netlist_advice(design)}",
            )
            return None
        try:
            netlist = _netlist(where.netlist, where.top)
        except NetlistError as error:
            self.table.error("unreadable-netlist", "design", str(error), netlist_advice(design))
            return None
        if name not in netlist.nets_by_name:
            message = f'the netlist of "{design}" has no net "{name}"'
            named = [net for net in netlist.nets_by_name if not net.startswith("$")]
            self.table.error("unknown-net", key, message, nearest(name, named))
            return None
        if netlist.nets_by_name[name] not in _driven(netlist):
            message = f'net "{name}" in the netlist of "{design}" is neither driven nor read'
            advice = "name a net that a gate, a flop or an input drives"
            self.table.error("undriven-net", key, message, advice)
            return None
        return name

    def known(self, key: str, name: str, known: Mapping[str, object], what: str) -> str | None:
        """Check that the shuttle has a pin or design of this name."""
        if name not in known:
            message = f'{self.shuttle.name} has no {what} "{name}"'
            self.table.error(f"unknown-{what}", key, message, nearest(name, known))
            return None
        return name


def _driven(netlist: Netlist) -> set[int]:
    """The nets that a gate, a flop or the outside drives."""
    ports = [port for port in netlist.ports if port.direction is not PortDirection.OUTPUT]
    inputs = {net for port in ports for net in port.nets}
    return {*netlist.gate_by_output, *netlist.tables.q.tolist(), *inputs}


@lru_cache(maxsize=8)
def _netlist(path: Path, top: str) -> Netlist:
    return load_netlist(path, top)


def _why_out_of_range(value: Any, what: object) -> str:
    """Say what to write in place of a value that is not allowed; empty if it is."""
    match what:
        case "positive" if value <= 0:
            return "write a number above 0"
        case Within(low, high) if not low <= value <= high:
            return f"write {low} to {high}"
        case (first, second) if value not in what:
            return f'write "{first}" or "{second}"'
    return ""


def _kinds(union: object) -> dict[str, type]:
    """The classes of a union by their names in a file."""
    return {re.sub("(?<!^)(?=[A-Z])", "-", kind.__name__).lower(): kind for kind in get_args(union)}


DEFECTS = _kinds(ChipDefect)
BOARD_FAULTS = _kinds(BoardFault)
LINK_FAULTS = _kinds(LinkFault)

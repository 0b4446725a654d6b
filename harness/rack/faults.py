"""Reads the faults of a virtual slot from the rack file: one small reader per kind.

One rule: a kind is a word in the file and a row in a table here. Faults name pins, nets and
designs; all are checked against the shuttle and its netlists while the file is read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from harness.errors import NetlistError
from harness.netlist import Netlist, PortDirection, load_netlist
from harness.shuttle import Shuttle, TomlTable, nearest
from harness.virtual import (
    BitErrors,
    BoardFault,
    ChipDefect,
    DroppedBytes,
    Hang,
    LinkFault,
    NetBridge,
    NetStuck,
    NoClock,
    OpenPin,
    OutputStuck,
    SlowPath,
    Stall,
    SwappedPins,
    Unplug,
)

Fault = TypeVar("Fault")
Reader = Callable[[TomlTable, Shuttle], Fault | None]


def read_faults(
    slot: TomlTable, key: str, kinds: Mapping[str, Reader[Fault]], shuttle: Shuttle
) -> tuple[Fault, ...]:
    """Read ``[[slot.KEY]]``; faults that cannot be read leave findings and are left out."""
    return tuple(_each(slot.tables(key), kinds, shuttle))


def _each(
    tables: list[TomlTable], kinds: Mapping[str, Reader[Fault]], shuttle: Shuttle
) -> Iterator[Fault]:
    for table in tables:
        kind = table.take("kind", str)
        if kind is None:
            continue
        reader = kinds.get(kind)
        if reader is None:
            table.error("unknown-kind", "kind", f'no kind "{kind}" here', nearest(kind, kinds))
            continue
        fault = reader(table, shuttle)
        if fault is not None:
            yield fault


def _pin(table: TomlTable, key: str, shuttle: Shuttle) -> str | None:
    return _known(table, key, shuttle.pins_by_name, "pin", shuttle)


def _net(table: TomlTable, key: str, design: str | None, shuttle: Shuttle) -> str | None:
    """Read the name of a net that something drives; a netlist that cannot be read is told too."""
    name = table.take(key, str)
    if name is None or design is None:
        return name
    where = shuttle.designs_by_name[design]
    if where.netlist is None:
        table.error(
            "no-netlist",
            "design",
            f'design "{design}" has no netlist, so nothing can be wrong in it',
            "name a design that has one",
        )
        return None
    try:
        netlist = _netlist(where.netlist, where.top)
    except NetlistError as error:
        table.error("unreadable-netlist", "design", str(error), "make the netlist again")
        return None
    if name not in netlist.nets_by_name:
        message = f'the netlist of "{design}" has no net "{name}"'
        named = [net for net in netlist.nets_by_name if not net.startswith("$")]
        table.error("unknown-net", key, message, nearest(name, named))
        return None
    if netlist.nets_by_name[name] not in _driven(netlist):
        message = f'nothing drives net "{name}" in the netlist of "{design}", and nothing reads it'
        advice = "name a net that a gate, a flop or an input drives"
        table.error("undriven-net", key, message, advice)
        return None
    return name


def _driven(netlist: Netlist) -> set[int]:
    """Nets that a gate, a flop or the outside drives."""
    ports = [port for port in netlist.ports if port.direction is not PortDirection.OUTPUT]
    inputs = {net for port in ports for net in port.nets}
    return {*netlist.gate_by_output, *netlist.tables.q.tolist(), *inputs}


@lru_cache(maxsize=8)
def _netlist(path: Path, top: str) -> Netlist:
    return load_netlist(path, top)


def _design(table: TomlTable, shuttle: Shuttle) -> str | None:
    return _known(table, "design", shuttle.designs_by_name, "design", shuttle)


def _known(
    table: TomlTable, key: str, known: Mapping[str, object], what: str, shuttle: Shuttle
) -> str | None:
    name = table.take(key, str)
    if name is not None and name not in known:
        message = f'{shuttle.name} has no {what} "{name}"'
        table.error(f"unknown-{what}", key, message, nearest(name, known))
        return None
    return name


def _level(table: TomlTable) -> int | None:
    return _within(table, "level", table.take("level", int), 0, 1)


def _share(table: TomlTable, key: str, default: float | None = None) -> float | None:
    value = table.take(key, float) if default is None else table.take(key, float, default)
    return _within(table, key, value, 0.0, 1.0)


Number = TypeVar("Number", int, float)


def _within(
    table: TomlTable, key: str, value: Number | None, low: Number, high: Number
) -> Number | None:
    if value is not None and not low <= value <= high:
        table.error("out-of-range", key, f'"{key}" is {value}', f"write {low} to {high}")
        return None
    return value


def _positive(table: TomlTable, key: str, value: Number | None) -> Number | None:
    if value is not None and value <= 0:
        table.error("out-of-range", key, f'"{key}" is {value}', "write a number above 0")
        return None
    return value


def _net_stuck(table: TomlTable, shuttle: Shuttle) -> NetStuck | None:
    design = _design(table, shuttle)
    net, level = _net(table, "net", design, shuttle), _level(table)
    chance, seed = _share(table, "probability", 1.0), table.take("seed", int, 1)
    if design is None or net is None or level is None or chance is None:
        return None
    return NetStuck(design, net, level, chance, seed)


def _output_stuck(table: TomlTable, shuttle: Shuttle) -> OutputStuck | None:
    pin, level = _pin(table, "pin", shuttle), _level(table)
    chance, seed = _share(table, "probability", 1.0), table.take("seed", int, 1)
    if pin is None or level is None or chance is None:
        return None
    return OutputStuck(pin, level, chance, seed)


_BRIDGES = {"and": True, "or": False}


def _net_bridge(table: TomlTable, shuttle: Shuttle) -> NetBridge | None:
    design = _design(table, shuttle)
    net_a, net_b = (_net(table, key, design, shuttle) for key in ("net_a", "net_b"))
    wired = table.take("wired", str, "and")
    if wired not in _BRIDGES:
        table.error("unknown-kind", "wired", f'"wired" is "{wired}"', 'write "and" or "or"')
        return None
    if design is None or net_a is None or net_b is None:
        return None
    return NetBridge(design, net_a, net_b, _BRIDGES[wired])


def _slow_path(table: TomlTable, shuttle: Shuttle) -> SlowPath | None:
    design = _design(table, shuttle)
    net = _net(table, "net", design, shuttle)
    limit = _positive(table, "limit_hz", table.take("limit_hz", float))
    if design is None or net is None or limit is None:
        return None
    return SlowPath(design, net, limit)


def _open_pin(table: TomlTable, shuttle: Shuttle) -> OpenPin | None:
    pin = _pin(table, "pin", shuttle)
    loose = table.take("loose", bool, False)
    return None if pin is None else OpenPin(pin, loose)


def _swapped_pins(table: TomlTable, shuttle: Shuttle) -> SwappedPins | None:
    pin_a, pin_b = _pin(table, "pin_a", shuttle), _pin(table, "pin_b", shuttle)
    return None if pin_a is None or pin_b is None else SwappedPins(pin_a, pin_b)


def _no_clock(table: TomlTable, shuttle: Shuttle) -> NoClock:
    del table, shuttle
    return NoClock()


def _bit_errors(table: TomlTable, shuttle: Shuttle) -> BitErrors | None:
    del shuttle
    rate, seed = _share(table, "rate"), table.take("seed", int, 1)
    return None if rate is None else BitErrors(rate, seed)


def _dropped_bytes(table: TomlTable, shuttle: Shuttle) -> DroppedBytes | None:
    del shuttle
    rate, seed = _share(table, "rate"), table.take("seed", int, 1)
    return None if rate is None else DroppedBytes(rate, seed)


def _stall(table: TomlTable, shuttle: Shuttle) -> Stall | None:
    del shuttle
    at_byte = _positive(table, "at_byte", table.take("at_byte", int))
    seconds = _positive(table, "seconds", table.take("seconds", float))
    return None if at_byte is None or seconds is None else Stall(at_byte, seconds)


def _unplug(table: TomlTable, shuttle: Shuttle) -> Unplug | None:
    del shuttle
    at_byte = _positive(table, "at_byte", table.take("at_byte", int))
    back = _within(table, "back_after_s", table.take("back_after_s", float, 0.0), 0.0, 3600.0)
    return None if at_byte is None or back is None else Unplug(at_byte, back)


def _hang(table: TomlTable, shuttle: Shuttle) -> Hang | None:
    del shuttle
    at_byte = _positive(table, "at_byte", table.take("at_byte", int))
    return None if at_byte is None else Hang(at_byte)


DEFECTS: Mapping[str, Reader[ChipDefect]] = {
    "net-stuck": _net_stuck,
    "output-stuck": _output_stuck,
    "net-bridge": _net_bridge,
    "slow-path": _slow_path,
}
BOARD_FAULTS: Mapping[str, Reader[BoardFault]] = {
    "open-pin": _open_pin,
    "swapped-pins": _swapped_pins,
    "no-clock": _no_clock,
}
LINK_FAULTS: Mapping[str, Reader[LinkFault]] = {
    "bit-errors": _bit_errors,
    "dropped-bytes": _dropped_bytes,
    "stall": _stall,
    "unplug": _unplug,
    "hang": _hang,
}

"""Reading ``[select]`` of a board profile: the way in which the chip selects a design.

One rule: whatever is handed back can select every design of the shuttle, by pins that the
shuttle keeps for that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.board.profile_model import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.errors import Location
from harness.shuttle import Direction, Shuttle, TomlTable, expand_range, nearest

MOST_BITS = 16

Reader = Callable[[TomlTable, Shuttle], SelectMethod | None]
Named = tuple[str, Location]


def read_select(table: TomlTable | None, shuttle: Shuttle) -> SelectMethod | None:
    """Read the selection method; None after findings when it cannot be used."""
    if table is None:
        return None
    method = table.take("method", str)
    if method is None:
        return None
    reader = _METHODS.get(method)
    if reader is None:
        table.error(
            "unknown-method", "method", f'no method "{method}" here', nearest(method, _METHODS)
        )
        for key in ("pins", "data", "clock", "bits", "step", "clear"):
            table.raw(key)
        return None
    return reader(table, shuttle)


def _parallel(table: TomlTable, shuttle: Shuttle) -> ParallelSelect | None:
    texts = table.strings("pins")
    listed = isinstance(table.raw("pins"), list)
    named: list[Named] = []
    for index, text in enumerate(texts):
        place = table.location("pins", index) if listed else table.location("pins")
        named += [(name, place) for name in expand_range(text) or (text,)]
    if not named:
        return None
    right = _check_pins(table, named, shuttle)
    _check_addresses(table, "pins", len(named), shuttle)
    return ParallelSelect(tuple(name for name, _ in named)) if right else None


def _shift(table: TomlTable, shuttle: Shuttle) -> ShiftSelect | None:
    data, clock, bits = table.take("data", str), table.take("clock", str), table.take("bits", int)
    right = _check_pins(table, _taken(table, data=data, clock=clock), shuttle)
    if bits is not None and not 1 <= bits <= MOST_BITS:
        table.error("out-of-range", "bits", f'"bits" is {bits}', f"write 1 to {MOST_BITS}")
        return None
    if bits is not None:
        _check_addresses(table, "bits", bits, shuttle)
    if data is None or clock is None or bits is None or not right:
        return None
    return ShiftSelect(data, clock, bits)


def _pulses(table: TomlTable, shuttle: Shuttle) -> PulseSelect | None:
    step, clear = table.take("step", str), table.take("clear", str)
    right = _check_pins(table, _taken(table, step=step, clear=clear), shuttle)
    if step is None or clear is None or not right:
        return None
    return PulseSelect(step, clear)


_METHODS: Mapping[str, Reader] = {"parallel": _parallel, "shift": _shift, "pulses": _pulses}


def _taken(table: TomlTable, **keys: str | None) -> list[Named]:
    return [(name, table.location(key)) for key, name in keys.items() if name is not None]


def _check_pins(table: TomlTable, named: list[Named], shuttle: Shuttle) -> bool:
    """Tell whether all are select pins, each named once; warn of select pins left over."""
    before = len(table.findings.errors)
    selects = [pin.name for pin in shuttle.pins if pin.direction is Direction.SELECT]
    seen: set[str] = set()
    for name, place in named:
        pin = shuttle.pins_by_name.get(name)
        if pin is None:
            message = f'{shuttle.name} has no pin "{name}"'
            table.findings.error("unknown-pin", place, message, nearest(name, selects))
        elif pin.direction is not Direction.SELECT:
            message = f'"{name}" is not a select pin; its direction is {pin.direction}'
            advice = f"pins for selection: {', '.join(selects) or 'none in the shuttle file'}"
            table.findings.error("not-a-select-pin", place, message, advice)
        elif name in seen:
            message = f'select pin "{name}" has two uses'
            table.findings.error("select-pin-twice", place, message, "give each use its own pin")
        seen.add(name)
    right = len(table.findings.errors) == before
    _warn_of_unused(table, [name for name in selects if name not in seen] if right else [])
    return right


def _warn_of_unused(table: TomlTable, names: list[str]) -> None:
    for name in names:
        table.findings.warn(
            "select-pin-unused",
            table.location(),
            f'no use is given for select pin "{name}"; it will be held low',
            "check the method, or the shuttle's list of select pins",
        )


def _check_addresses(table: TomlTable, key: str, bits: int, shuttle: Shuttle) -> None:
    most = (1 << bits) - 1
    for design in shuttle.designs:
        if design.address > most:
            table.error(
                "address-too-wide",
                key,
                f'design "{design.name}" has address {design.address}; '
                f"{bits} bits reach 0 to {most}",
                "select with more bits, or give the design a smaller address",
            )

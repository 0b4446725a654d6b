"""The methods that select a design: reading each from a profile, and its vectors.

One rule: a method read from a profile can select every design of the shuttle, by its select pins.
Reset is held while the address changes, so that no design sees half an address.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Self

from harness.errors import Location
from harness.shuttle import Direction, Shuttle, TomlTable, expand_range, nearest

MAX_BITS = 16

Named = tuple[str, Location]


@dataclass(frozen=True)
class SelectStep:
    """One vector of a selection: levels of the select pins, and the pins that pulse."""

    drive: int
    pulse: int


class SelectMethod(ABC):
    """A way to select a design. Its fields are the keys of ``[select]``."""

    @classmethod
    @abstractmethod
    def read(cls, table: TomlTable, shuttle: Shuttle) -> Self | None:
        """Read the keys of a profile; None after findings when they cannot be used."""

    @abstractmethod
    def steps(self, address: int, shuttle: Shuttle) -> tuple[SelectStep, ...]:
        """The vectors that select ``address``; the last one's levels are held from then on."""


@dataclass(frozen=True)
class ParallelSelect(SelectMethod):
    """The address is on pins for as long as the design is selected, MSB first."""

    pins: tuple[str, ...]

    @classmethod
    def read(cls, table: TomlTable, shuttle: Shuttle) -> Self | None:
        """Read ``pins``, which may have ranges."""
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
        return cls(tuple(name for name, _ in named)) if right else None

    def steps(self, address: int, shuttle: Shuttle) -> tuple[SelectStep, ...]:
        """Put the address on the pins."""
        level = sum(
            shuttle.pins_by_name[name].mask
            for place, name in enumerate(reversed(self.pins))
            if address >> place & 1
        )
        return (SelectStep(level, 0),)


@dataclass(frozen=True)
class ShiftSelect(SelectMethod):
    """The address is clocked into a register on the chip, MSB first, on rising edges."""

    data: str
    clock: str
    bits: int

    @classmethod
    def read(cls, table: TomlTable, shuttle: Shuttle) -> Self | None:
        """Read ``data``, ``clock`` and ``bits``."""
        data, clock = table.take("data", str), table.take("clock", str)
        bits = table.take("bits", int)
        right = _check_pins(table, _taken(table, data=data, clock=clock), shuttle)
        if bits is not None and not 1 <= bits <= MAX_BITS:
            table.error("out-of-range", "bits", f'"bits" is {bits}', f"write 1 to {MAX_BITS}")
            return None
        if bits is not None:
            _check_addresses(table, "bits", bits, shuttle)
        if data is None or clock is None or bits is None or not right:
            return None
        return cls(data, clock, bits)

    def steps(self, address: int, shuttle: Shuttle) -> tuple[SelectStep, ...]:
        """Clock the address in."""
        data, clock = (shuttle.pins_by_name[name].mask for name in (self.data, self.clock))
        levels = [data if address >> place & 1 else 0 for place in reversed(range(self.bits))]
        return (*[SelectStep(level, clock) for level in levels], SelectStep(0, 0))


@dataclass(frozen=True)
class PulseSelect(SelectMethod):
    """A reset pulse (high) sets the address to 0; each rising edge of ``step`` adds one."""

    step: str
    clear: str

    @classmethod
    def read(cls, table: TomlTable, shuttle: Shuttle) -> Self | None:
        """Read ``step`` and ``clear``."""
        step, clear = table.take("step", str), table.take("clear", str)
        right = _check_pins(table, _taken(table, step=step, clear=clear), shuttle)
        if step is None or clear is None or not right:
            return None
        return cls(step, clear)

    def steps(self, address: int, shuttle: Shuttle) -> tuple[SelectStep, ...]:
        """Clear the counter and count."""
        step, clear = (shuttle.pins_by_name[name].mask for name in (self.step, self.clear))
        return (SelectStep(0, clear), *[SelectStep(0, step)] * address, SelectStep(0, 0))


METHODS: Mapping[str, type[SelectMethod]] = {
    "parallel": ParallelSelect,
    "shift": ShiftSelect,
    "pulses": PulseSelect,
}
"""The registry: each method by its name in a profile."""


def read_select(table: TomlTable | None, shuttle: Shuttle) -> SelectMethod | None:
    """Read the selection method; None after findings when it cannot be used."""
    name = table.take("method", str) if table is not None else None
    if table is None or name is None:
        return None
    if name in METHODS:
        return METHODS[name].read(table, shuttle)
    table.error("unknown-method", "method", f'no method "{name}"', nearest(name, METHODS))
    for method in METHODS.values():
        for key in fields(method):  # type: ignore[arg-type]  # each is a dataclass
            table.raw(key.name)
    return None


def _taken(table: TomlTable, **keys: str | None) -> list[Named]:
    return [(name, table.location(key)) for key, name in keys.items() if name is not None]


def _check_pins(table: TomlTable, named: list[Named], shuttle: Shuttle) -> bool:
    """Whether all are select pins, each named once; warns of unused select pins."""
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
            message = f'select pin "{name}" is used twice'
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
            f'select pin "{name}" is unused and will be held low',
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
                f"{bits} bits hold 0 to {most}",
                "select with more bits, or give the design a smaller address",
            )

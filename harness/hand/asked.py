"""What is asked of a design's pins by name: cells of a table, on top of the levels that are held.

One rule: a text means what the same cell of a table means. A number drives an input, and is
expected of an output.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.convert import output_cell
from harness.shuttle import Bus, Design, Direction, Shuttle, nearest
from harness.table import PLANES, Column, Pattern, Planes, Refusal, read_cell, signal_columns

__tracebackhide__ = True  # as in chip.py
Value = int | str
"""A number, or the text of a cell: ``5``, ``"0x1F"``, ``"0b1x0z"``, ``"HHLL"``, ``"F"``."""


@dataclass(frozen=True)
class Row(Planes[int]):
    """One row: what is driven and tested; ``observed`` are tests that the chip itself answered."""

    repeat: int = 1
    until: bool = False
    observed: int = 0

    @property
    def tested(self) -> int:
        """Pins that are tested, for a level or for high impedance."""
        return self.care | self.highz

    def same_levels(self, other: Row) -> bool:
        """Whether another row leaves the driven pins as this one does."""
        return (self.drive, self.enable) == (other.drive, other.enable)


class Asking:
    """The pins of a design, and the levels at which they are driven until something else is set."""

    def __init__(self, design: Design, shuttle: Shuttle) -> None:
        self.design = design
        self._columns = signal_columns(design, shuttle)
        first = self._columns[design.signals[0].name]
        self.enable = sum(s.mask for s in design.signals if s.direction is Direction.INPUT)
        self.drive = first.default & self.enable

    def driven(self, levels: Mapping[str, Value], repeat: int = 1) -> Row:
        """Return the row that drives these; its levels, not its pulses, are held from now on.

        Raises ValueError, and holds nothing new, for a name or value that the design has not.
        """
        row = self._row(levels, lambda _, number: str(number))
        if row.tested:
            names = ", ".join(f'"{name}"' for name in levels)
            raise ValueError(f"{names}: this tests an output and drives nothing; use expect")
        self.drive, self.enable = row.drive, row.enable
        return replace(row, repeat=repeat)

    def expected(self, outputs: Mapping[str, Value]) -> Row:
        """Return the row that tests these; nothing that is driven changes. Raises ValueError."""
        for name in outputs:
            self.readable(name)
        row = self._row(outputs, output_cell)
        if not row.same_levels(self.held()):
            names = ", ".join(f'"{name}"' for name in outputs)
            raise ValueError(f"{names}: this drives the pins; to test them, write H, L and Z")
        return row

    def held(self) -> Row:
        """Return the row that changes nothing and tests nothing."""
        return Row(self.drive, self.enable, pulse=0, expect=0, care=0, highz=0)

    def readable(self, name: str) -> Bus:
        """Return the pins of something that the chip drives.

        Raises ValueError for an input, and for pins that are driven from here.
        """
        bus = self.column(name).bus
        if not bus.can_be_tested:
            others = ", ".join(s.name for s in self.design.signals if s.can_be_tested) or "none"
            raise ValueError(f'"{name}" is an input; outputs of {self.design.name}: {others}')
        if bus.mask & self.enable:
            raise ValueError(f'"{name}" is driven from here; release it first, with "F"')
        return bus

    def outputs(self) -> tuple[Bus, ...]:
        """Return every signal that the chip drives, as far as nothing here drives it."""
        tested = (signal for signal in self.design.signals if signal.can_be_tested)
        return tuple(signal for signal in tested if not signal.mask & self.enable)

    def column(self, name: str) -> Column:
        """Return the pins behind a name: a signal, one bit of it (``q[2]``), or a chip pin."""
        if name not in self._columns:
            known = nearest(name, self.design.signals_by_name)
            raise ValueError(f'design "{self.design.name}" has no signal "{name[:60]}"; {known}')
        return self._columns[name]

    def _row(self, cells: Mapping[str, Value], number_cell: Callable[[Bus, int], str]) -> Row:
        words = vars(self.held()).copy()
        mentioned = 0
        for name, value in cells.items():
            column = self.column(name)
            mask = column.bus.mask
            if mentioned & mask:
                raise ValueError(f'"{name}" has a pin that is named twice here')
            mentioned |= mask
            meaning = _meaning(column, value, number_cell)
            for plane in PLANES:
                words[plane] = words[plane] & ~mask | getattr(meaning, plane)
        return Row(**words)


def _meaning(column: Column, value: Value, number_cell: Callable[[Bus, int], str]) -> Planes[int]:
    bus = column.bus
    if isinstance(value, str):
        text = value
    elif 0 <= value < 1 << bus.width:
        text = number_cell(bus, int(value))
    else:
        largest = (1 << bus.width) - 1
        raise ValueError(f"{bus.name}: {value} is not a number from 0 to {largest}")
    if not text.strip():
        raise ValueError(f"{bus.name}: the text is empty; write F to release a pin")
    meaning = read_cell(text, column)
    if isinstance(meaning, Refusal):
        text = f"{bus.name}: {meaning.message}; {meaning.advice}"
        raise ValueError(text)  # noqa: TRY004 - the type was right, the text was not
    return meaning


def held_levels(design: Design, shuttle: Shuttle, levels: Mapping[str, Value]) -> Pattern:
    """Return the row that drives a design's inputs and pulses its clock, if it has one.

    Inputs that ``levels`` does not name are low, or inactive. Raises ValueError.
    """
    asking = Asking(design, shuttle)
    row = asking.driven(levels)
    if row.pulse:
        raise ValueError("a level is held, and C and K are pulses; write 0, 1, F or a number")
    clocks = design.names_on(Direction.CLOCK)
    clock = asking.column(clocks[0]).bus.mask if clocks else 0
    return pattern_of(design, [replace(row, pulse=clock & row.enable)])


def pattern_of(design: Design, rows: Sequence[Row]) -> Pattern:
    """Return rows as a pattern of all signals of a design; line numbers count them from 1."""
    words = (*PLANES, "repeat")
    return Pattern.of(
        design.signals,
        **{name: np.array([getattr(row, name) for row in rows], np.uint32) for name in words},
        until=np.array([row.until for row in rows], np.bool_),
        line=np.arange(1, len(rows) + 1, dtype=np.int32),
    )

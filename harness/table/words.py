"""Columns of cells into the words of a pattern.

One rule: a text is read once (by :func:`harness.table.symbols.read_cell`) and then only looked
up; rows are handled as whole arrays. A decoder lives as long as its table, because an empty cell
of an input holds the level of the row before it, also across blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.errors import Location
from harness.shuttle import Direction
from harness.table.columns import Cells, Coded, Numbers
from harness.table.complaints import Complaints
from harness.table.numerals import read_numerals
from harness.table.pattern import Words
from harness.table.symbols import NOTHING, Column, Meaning, read_cell

FIELDS = ("drive", "enable", "pulse", "expect", "care", "highz")
MANY_TEXTS = 1024
Locate = Callable[[int, int], Location]
"""(row of the block, column number) → where that cell stands."""
RowPlace = Callable[[int], Location]
"""Row of the block → where its cell of the column in question stands."""


@dataclass
class BlockWords:
    """The six words of every row of a block, filled column by column."""

    drive: Words
    enable: Words
    pulse: Words
    expect: Words
    care: Words
    highz: Words

    @classmethod
    def start(cls, rows: int, drive: int, enable: int) -> BlockWords:
        """Rows in which only the pins without a column are driven."""
        empty = [np.zeros(rows, np.uint32) for _ in range(4)]
        return cls(np.full(rows, drive, np.uint32), np.full(rows, enable, np.uint32), *empty)


@dataclass(frozen=True)
class _Lookup:
    """Meanings of the texts of one block's column, a row a text."""

    words: NDArray[np.uint32]
    held: NDArray[np.bool_]


@dataclass
class ColumnDecoder:
    """One signal column. ``drive`` and ``enable`` are what an empty first input cell holds."""

    number: int
    column: Column
    complaints: Complaints
    drive: int = 0
    enable: int = 0
    known: dict[str, Meaning] = field(default_factory=dict)
    last: tuple[Sequence[str], _Lookup] | None = None

    def __post_init__(self) -> None:
        if self.column.bus.direction is Direction.INPUT:
            self.drive = self.column.default & self.column.bus.mask
            self.enable = self.column.bus.mask

    def decode(self, cells: Cells, into: BlockWords, locate: Locate) -> None:
        """Add what the column's cells ask to the words of a block."""
        coded = self._numbers(cells, into) if isinstance(cells, Numbers) else cells
        if coded is None:
            return
        lookup = self._lookup(coded, locate)
        if self.column.bus.direction is Direction.INPUT:
            self._inputs(coded.codes, lookup, into)
        else:
            _gather(FIELDS, coded.codes, lookup.words, into)

    def _numbers(self, cells: Numbers, into: BlockWords) -> Coded | None:
        """Add plain numbers; columns with one that needs a closer look come back as texts."""
        values, bus = cells.values, self.column.bus
        if not len(values) or int(values.min()) < 0 or int(values.max()) >> bus.width:
            distinct, codes = np.unique(values, return_inverse=True)
            return Coded(codes, [str(value) for value in distinct.tolist()])
        words = scatter(values, self.column)
        if bus.direction is Direction.OUTPUT:
            into.expect |= words
            into.care |= np.uint32(bus.mask)
            return None
        into.drive |= words
        into.enable |= np.uint32(bus.mask)
        self.drive, self.enable = int(words[-1]), bus.mask
        return None

    def _inputs(self, codes: NDArray[np.integer], lookup: _Lookup, into: BlockWords) -> None:
        """Add an input column; empty cells hold the level, without its pulse."""
        if not lookup.held.any():
            _gather(FIELDS[:3], codes, lookup.words, into)
            last = lookup.words[codes[-1]]
            self.drive, self.enable = int(last[0]), int(last[1])
            return
        held = lookup.held[codes]
        source = np.maximum.accumulate(np.where(held, -1, np.arange(len(codes))))
        words = lookup.words[codes]
        before = np.array([self.drive, self.enable], np.uint32)
        filled = np.where((source >= 0)[:, None], words[source, :2], before)
        into.drive |= filled[:, 0]
        into.enable |= filled[:, 1]
        into.pulse |= words[:, 2]
        self.drive, self.enable = int(filled[-1, 0]), int(filled[-1, 1])

    def _lookup(self, cells: Coded, locate: Locate) -> _Lookup:
        """Read every distinct text; refused ones become findings and ask nothing.

        A list of texts that was read without a refusal is read once for all blocks that share it.
        """
        if self.last is not None and self.last[0] is cells.texts:
            return self.last[1]
        before = self.complaints.refused
        words = np.zeros((len(cells.texts), len(FIELDS)), np.uint32)
        held = np.zeros(len(cells.texts), np.bool_)
        for index in self._unread(cells, words):
            meaning = self._meaning(cells.texts[index], index, cells, locate)
            held[index] = meaning.held
            words[index] = [getattr(meaning, name) for name in FIELDS]
        lookup = _Lookup(words, held)
        self.last = (cells.texts, lookup) if self.complaints.refused == before else None
        return lookup

    def _unread(self, cells: Coded, words: NDArray[np.uint32]) -> list[int]:
        """Read plain numbers of a column of many texts at once; numbers of the other texts."""
        if len(cells.texts) < MANY_TEXTS or self.column.bus.width == 1:
            return list(range(len(cells.texts)))
        values = read_numerals(cells.texts)
        plain = (values >= 0) & (values >> self.column.bus.width == 0)
        bits = scatter(np.where(plain, values, 0), self.column)
        mask = np.where(plain, self.column.bus.mask, 0)
        tested = self.column.bus.direction is Direction.OUTPUT
        words[:, 3 if tested else 0] = bits
        words[:, 4 if tested else 1] = mask
        return np.flatnonzero(~plain).tolist()

    def _meaning(self, text: str, code: int, cells: Coded, locate: Locate) -> Meaning:
        meaning = self.known.get(text)
        if meaning is not None:
            return meaning
        read = read_cell(text, self.column)
        if isinstance(read, Meaning):
            if len(self.known) < MANY_TEXTS:
                self.known[text] = read
            return read
        number = self.number
        self.complaints.refuse(
            number, text, read, cells.rows(code), lambda: locate(cells.first(code), number)
        )
        return NOTHING


def _gather(
    fields: tuple[str, ...],
    codes: NDArray[np.integer],
    table: NDArray[np.uint32],
    into: BlockWords,
) -> None:
    """OR each row's meaning into a block; words that all texts share need no look-up."""
    for index, name in enumerate(fields):
        values = np.ascontiguousarray(table[:, index])
        target: Words = getattr(into, name)
        if (values == values[0]).all():
            if values[0]:
                target |= values[0]
        else:
            target |= values[codes]


def scatter(values: NDArray[np.int64], column: Column) -> Words:
    """Bits of numbers at the positions of the column's pins; runs of pins move together."""
    values32 = values.astype(np.uint32)
    words = np.zeros(len(values), np.uint32)
    for shift, mask in _runs(column).items():
        part = values32 & np.uint32(mask)
        words |= part << np.uint32(shift) if shift >= 0 else part >> np.uint32(-shift)
    return words


def _runs(column: Column) -> dict[int, int]:
    """How far to shift which bits of a number: distance → mask of the number's bits."""
    runs: dict[int, int] = {}
    for bit, pin in enumerate(reversed(column.bus.pins)):
        runs[pin.bit - bit] = runs.get(pin.bit - bit, 0) | 1 << bit
    return runs

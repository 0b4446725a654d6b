"""Turns columns of cells into the words of a pattern.

One rule: a text is read once (by :mod:`harness.table.symbols`) and then looked up; rows are
handled as whole arrays. A decoder is kept for the whole table, because an empty input cell holds
the level of the previous row, also across blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from harness.errors import Finding, Findings, Location
from harness.shuttle import Direction
from harness.table.columns import Cells, Coded, Numbers
from harness.table.symbols import (
    PLANES,
    Column,
    Refusal,
    Words,
    plain_number,
    read_cell,
    read_repeat,
)

MANY_TEXTS = 1024
"""From this number of distinct texts, the plain numbers of a bus are read all at once."""

Locate = Callable[[int, int], Location]
"""(row of the block, column number) → place of that cell."""

_DRIVEN = PLANES.index("drive"), PLANES.index("enable")
_TESTED = PLANES.index("expect"), PLANES.index("care")
_LEVELS = np.isin(range(len(PLANES)), _DRIVEN)
"""The planes that an empty input cell takes from the previous row."""

T = TypeVar("T")


@dataclass
class ColumnDecoder:
    """Decodes one signal column. ``held`` is what an empty input cell in the next row means."""

    number: int
    column: Column
    findings: Findings
    held: Words = field(init=False)
    last: tuple[Sequence[str], Words, NDArray[np.bool_]] | None = None

    def __post_init__(self) -> None:
        bus = self.column.bus
        self.held = np.zeros(len(PLANES), np.uint32)
        if bus.direction is Direction.INPUT:
            self.held[list(_DRIVEN)] = self.column.default & bus.mask, bus.mask

    def decode(self, cells: Cells, into: dict[str, Words], locate: Locate) -> None:
        """Add the column's cells to the planes of a block."""
        if isinstance(cells, Numbers) and not self._fits(cells.values).all():
            cells = cells.coded()
        codes: NDArray[np.integer]
        levels: NDArray[np.integer]
        if isinstance(cells, Numbers):
            words = self._number_words(cells.values)
            codes = levels = np.arange(len(cells.values))
        else:
            words, empty = self._lookup(cells, locate)
            codes = levels = cells.codes
            if empty.any():
                rows = np.arange(len(codes))
                source = np.maximum.accumulate(np.where(empty[codes], -1, rows))
                levels = np.where(source < 0, len(words), codes[source])
                words = np.vstack([words, self.held])
        for name, is_level, values in zip(PLANES, _LEVELS, words.T, strict=True):
            if (values == values[0]).all():  # one word for all texts needs no look-up
                into[name] |= values[0]
            else:
                into[name] |= values[levels if is_level else codes]
        self.held = np.where(_LEVELS, words[levels[-1]], 0)

    def _lookup(self, cells: Coded, locate: Locate) -> tuple[Words, NDArray[np.bool_]]:
        """Read every distinct text: its words, and whether it is an empty input cell.

        A list of texts without refusals is read once for all blocks that share it.
        """
        if self.last is not None and self.last[0] is cells.texts:
            return self.last[1:]
        words = _no_words(len(cells.texts))
        empty = np.zeros(len(cells.texts), np.bool_)
        left = self._plain_numbers(cells.texts, words)
        read = partial(read_cell, column=self.column)
        accepted = 0
        for code, meaning in read_texts(self.number, cells, left, read, self.findings, locate):
            words[code] = [getattr(meaning, name) for name in PLANES]
            empty[code] = meaning.held
            accepted += 1
        self.last = (cells.texts, words, empty) if accepted == len(left) else None
        return words, empty

    def _plain_numbers(self, texts: Sequence[str], words: Words) -> Sequence[int]:
        """Read the plain numbers of a wide bus; return the codes of the other texts."""
        if len(texts) < MANY_TEXTS or self.column.bus.width == 1:
            return range(len(texts))
        values = np.array([plain_number(text) for text in texts], np.int64)
        plain = self._fits(values)
        words[plain] = self._number_words(values[plain])
        return np.flatnonzero(~plain).tolist()

    def _fits(self, values: NDArray[np.int64]) -> NDArray[np.bool_]:
        fit: NDArray[np.bool_] = (values >= 0) & (values >> self.column.bus.width == 0)
        return fit

    def _number_words(self, values: NDArray[np.int64]) -> Words:
        """Words of the bus's pins for numbers that fit."""
        bus = self.column.bus
        level, pins = _TESTED if bus.direction is Direction.OUTPUT else _DRIVEN
        words = _no_words(len(values))
        for bit, pin in enumerate(reversed(bus.pins)):
            words[:, level] |= (values >> bit & 1).astype(np.uint32) << np.uint32(pin.bit)
        words[:, pins] = bus.mask
        return words


def _no_words(count: int) -> Words:
    return np.zeros((count, len(PLANES)), np.uint32, order="F")


def decode_repeats(
    number: int, cells: Cells, findings: Findings, locate: Locate
) -> tuple[Words, NDArray[np.bool_]]:
    """Counts and ``until`` flags of the rows of a block; refused cells count as 1."""
    if isinstance(cells, Numbers):
        cells = cells.coded()
    counts = np.ones(len(cells.texts), np.uint32)
    until = np.zeros(len(cells.texts), np.bool_)
    codes = range(len(cells.texts))
    for code, read in read_texts(number, cells, codes, read_repeat, findings, locate):
        counts[code], until[code] = read
    return counts[cells.codes], until[cells.codes]


def read_texts(
    number: int,
    cells: Coded,
    codes: Sequence[int],
    read: Callable[[str], T | Refusal],
    findings: Findings,
    locate: Locate,
) -> Iterator[tuple[int, T]]:
    """Read distinct texts of a column; each refused text becomes one finding."""

    def refused(code: int, refusal: Refusal) -> Finding:
        place = locate(cells.first(code), number)
        return Finding(refusal.rule, place, refusal.message, refusal.advice)

    for code in codes:
        text = cells.texts[code]
        meaning = read(text)
        if isinstance(meaning, Refusal):
            findings.add_lazy(partial(refused, code, meaning), (number, text), cells.rows(code))
        else:
            yield code, meaning

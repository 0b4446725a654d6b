"""Raw rows of a dump in a file on disk: a long dump has more of them than fit in memory.

One rule: what is read back is what was written, piece by piece in the same order.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import compress
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.table import Words

PULSE, CLOCK, LAST = 1, 2, 4
"""Flags: the row pulses the clock; the clock rests high; the next thing after it is a pulse."""


class Raw(NamedTuple):
    """Raw rows, all arrays of one length.

    ``drive`` and ``unknown`` are of the inputs, ``held`` the bidirectional pins that the bench
    drives; ``high``, ``dark`` (unknown) and ``floating`` are of all pins when the row ends.
    Inputs ``changed`` since the row before; inputs ``moved`` together with the clock edge, of
    which the row has the levels before.
    """

    time: NDArray[np.int64]
    drive: Words
    unknown: Words
    held: Words
    high: Words
    dark: Words
    floating: Words
    changed: Words
    moved: Words
    flags: Words

    def has(self, flag: int) -> NDArray[np.bool_]:
        """Tell for each row whether it has a flag."""
        flagged: NDArray[np.bool_] = self.flags & np.uint32(flag) != 0
        return flagged

    def part(self, part: slice | NDArray[np.bool_]) -> Raw:
        """Return some of the rows."""
        return Raw._make(column[part] for column in self)


class Spool:
    """Pieces of raw rows, in a file that is open for writing and reading.

    Of most pieces several columns are all zero: these are not written.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._pieces: list[tuple[int, int, tuple[bool, ...]]] = []

    def write(self, rows: Raw) -> None:
        """Add a piece."""
        filled = tuple(bool(column.any()) for column in rows)
        self._pieces.append((self._file.tell(), len(rows.time), filled))
        for column in compress(rows, filled):
            self._file.write(np.ascontiguousarray(column).data)

    def clear(self) -> None:
        """Forget every piece."""
        self._pieces.clear()
        self._file.seek(0)
        self._file.truncate()

    def pieces(self, start: int = 0) -> Iterator[tuple[int, Raw]]:
        """Yield the pieces from row ``start`` on, each with the number of its first row."""
        first = 0
        for place, count, filled in self._pieces:
            if first + count > start:
                skipped = max(0, start - first)
                yield first + skipped, self._read(place, count, filled).part(slice(skipped, None))
            first += count

    def with_next(self, start: int) -> Iterator[tuple[int, Raw, NDArray[np.bool_]]]:
        """Yield pieces, and for each row whether the next one is a pulse."""
        held: tuple[int, Raw] | None = None
        for first, piece in self.pieces(start):
            if held is not None:
                yield *held, _next_pulses(held[1], bool(piece.has(PULSE)[0]))
            held = first, piece
        if held is not None:
            yield *held, _next_pulses(held[1], beyond=False)

    def _read(self, place: int, count: int, filled: tuple[bool, ...]) -> Raw:
        self._file.seek(place)
        columns = []
        for there, kind in zip(filled, (np.int64, *[np.uint32] * (len(filled) - 1)), strict=True):
            size = count * np.dtype(kind).itemsize
            columns.append(
                np.frombuffer(self._file.read(size), kind) if there else np.zeros(count, kind)
            )
        return Raw._make(columns)


def _next_pulses(piece: Raw, beyond: bool) -> NDArray[np.bool_]:
    return np.append(piece.has(PULSE)[1:], beyond)

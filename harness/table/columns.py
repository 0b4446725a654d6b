"""A column of cells as read from any kind of file, and the labels of rows.

One rule: values only, without a Python object per row; nothing here needs pandas.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Coded:
    """A column as its distinct texts and, per row, the number of its text."""

    codes: NDArray[np.integer]
    texts: Sequence[str]

    def rows(self, code: int) -> int:
        """Number of rows with a text; the first call counts all texts."""
        return int(self._rows[code])

    def first(self, code: int) -> int:
        """The first row with a text."""
        return int(np.argmax(self.codes == code))

    @cached_property
    def _rows(self) -> NDArray[np.intp]:
        return np.bincount(self.codes, minlength=len(self.texts))


@dataclass(frozen=True)
class Numbers:
    """A column in which every cell is a decimal number without leading zeros."""

    values: NDArray[np.int64]

    def coded(self) -> Coded:
        """The same column as texts."""
        distinct, codes = np.unique(self.values, return_inverse=True)
        return Coded(codes, [str(value) for value in distinct.tolist()])


Cells = Coded | Numbers


class RowTexts(Mapping[int, str]):
    """Row number → text, for the rows that have one. An immutable mapping.

    A million rows with text cost their letters and a few bytes each.
    """

    def __init__(self, rows: NDArray[np.int64], blob: bytes, ends: NDArray[np.int64]) -> None:
        self.rows = rows
        self.blob = blob
        self.ends = ends

    @classmethod
    def of(cls, rows: NDArray[np.int64], texts: Sequence[str]) -> RowTexts:
        """Keep one text for each of the given rows, which ascend. No text has a NUL."""
        blob = "\0".join([*texts, ""]).encode("utf-8")
        return cls(rows, blob, np.flatnonzero(np.frombuffer(blob, np.uint8) == 0))

    @classmethod
    def joined(cls, parts: Sequence[RowTexts]) -> RowTexts:
        """Join the texts of consecutive parts; row numbers are those of the whole table."""
        if not parts:
            return cls.of(np.zeros(0, np.int64), ())
        starts = np.cumsum([0, *(len(part.blob) for part in parts)])
        return cls(
            np.concatenate([part.rows for part in parts]),
            b"".join(part.blob for part in parts),
            np.concatenate([part.ends + start for part, start in zip(parts, starts, strict=False)]),
        )

    def moved(self, first_cycle: NDArray[np.int64]) -> RowTexts:
        """Return the same texts on other rows: row ``r`` becomes ``first_cycle[r]``."""
        return RowTexts(first_cycle[self.rows], self.blob, self.ends)

    def __getitem__(self, row: int) -> str:
        place = int(np.searchsorted(self.rows, row))
        if place == len(self.rows) or self.rows[place] != row:
            raise KeyError(row)
        start = self.ends[place - 1] + 1 if place else 0
        return self.blob[start : self.ends[place]].decode("utf-8")

    def __iter__(self) -> Iterator[int]:
        return iter(self.rows.tolist())

    def __len__(self) -> int:
        return len(self.rows)

"""Labels and notes of a table's rows, kept compactly.

One rule: a row without text costs nothing, and a million rows with text cost their letters and
a few bytes each, not a Python object each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray


class RowTexts(Mapping[int, str]):
    """Row number → text, for the rows that have one. Behaves like a dict that cannot change."""

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
        """Put texts of consecutive parts together; row numbers are already the whole table's."""
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

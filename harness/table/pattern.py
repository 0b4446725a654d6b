"""A vector table as arrays, for the runner, the judge and the chip model.

A :class:`Pattern` has one row per vector of the table; a row with ``repeat`` 5 means five
cycles. Bit ``k`` of every word is pin ``k`` of ``Shuttle.pins``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from harness.shuttle import Bus
from harness.table.symbols import DRIVING, PLANES, TESTING, Planes, Words, symbol_of

Cycles = tuple[int, int]
"""The first of some cycles, counted from 0, and one past the last."""
NO_CYCLES: Cycles = (0, 0)


@dataclass(frozen=True, eq=False)
class Pattern(Planes[Words]):
    """The drives and tests of one table, one row per vector. All arrays have the same length.

    ``repeat`` is the number of cycles of a row (at least 1), or the limit N of an ``until`` row;
    ``until`` is True where the row is repeated until ``expect`` holds on ``care``; ``line`` is the
    line of the table file, counted from 1.
    """

    repeat: Words
    until: NDArray[np.bool_]
    line: NDArray[np.int32]
    signals: tuple[Bus, ...]
    labels: Mapping[int, str] = field(default_factory=dict)
    sha256: str = ""

    @classmethod
    def of(cls, signals: tuple[Bus, ...] = (), **arrays: NDArray[Any]) -> Self:
        """Make a pattern from some of its arrays; the rest default to one cycle and no effect."""
        count = len(next(iter(arrays.values())))
        rest: dict[str, NDArray[Any]] = {
            **dict.fromkeys(PLANES, np.zeros(count, np.uint32)),
            "repeat": np.ones(count, np.uint32),
            "until": np.zeros(count, np.bool_),
            "line": np.zeros(count, np.int32),
        }
        return cls(**rest | arrays, signals=signals)  # type: ignore[arg-type]  # by name

    @classmethod
    def joined(cls, parts: Sequence[Pattern], signals: tuple[Bus, ...]) -> Self:
        """Put the rows of patterns one after the other; ``signals`` are those of all of them."""
        names = (*PLANES, "repeat", "until", "line")
        arrays = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
        begins = accumulate((len(part) for part in parts), initial=0)
        labels = {
            begin + row: text
            for begin, part in zip(begins, parts, strict=False)
            for row, text in part.labels.items()
        }
        return replace(cls.of(signals, **arrays), labels=labels)

    def __len__(self) -> int:
        """Number of vectors (rows)."""
        return len(self.drive)

    @property
    def counts(self) -> NDArray[np.int64]:
        """Number of cycles of each row if each ``until`` row takes one."""
        return np.where(self.until, 1, self.repeat).astype(np.int64)

    @property
    def cycles(self) -> int:
        """Number of cycles if each ``until`` row takes one."""
        return int(self.counts.sum())

    @property
    def tested(self) -> Words:
        """Pins that are tested in each row, for a level or for high impedance."""
        return self.care | self.highz

    def with_rest(self, drive: int, enable: int) -> Pattern:
        """Drive also the pins that no signal of the table is on, as far as ``enable`` says."""
        mentioned = sum(bus.mask for bus in self.signals)
        rest = np.uint32(enable & ~mentioned) & ~self.enable
        driven = self.drive | (np.uint32(drive) & rest)
        return replace(self, drive=driven, enable=self.enable | rest)

    def driven_symbol(self, row: int, bit: int) -> str:
        """Symbol that drives a pin in a row; a dot if the row does not drive it."""
        return symbol_of(DRIVING, self._bits(DRIVING, row, bit))

    def tested_symbol(self, row: int, bit: int) -> str:
        """Symbol that tests a pin in a row; a dot if the row does not test it."""
        return symbol_of(TESTING, self._bits(TESTING, row, bit))

    def _bits(self, planes: tuple[str, ...], row: int, bit: int) -> tuple[int, ...]:
        return tuple(int(getattr(self, name)[row]) >> bit & 1 for name in planes)

    def rows(self, start: int, stop: int) -> Pattern:
        """Rows ``start`` to ``stop`` (exclusive) as a separate pattern, with their labels."""
        return replace(
            self.pick(slice(start, stop)),
            labels={k - start: self.labels[k] for k in self.labels if start <= k < stop},
        )

    def pick(self, rows: slice | NDArray[np.int64]) -> Pattern:
        """Select rows in any order or number; labels are dropped."""
        arrays = {name: getattr(self, name)[rows] for name in (*PLANES, "repeat", "until", "line")}
        return replace(self, **arrays, labels={})

    def split(self, cycles: Iterable[int]) -> tuple[Pattern, NDArray[np.int64]]:
        """Split repeated rows so that each of these cycles begins a row.

        Returns the pattern and, for each of its rows, the row here. An ``until`` row counts with
        its limit and cannot be split: raises ValueError if a cycle is inside one.
        """
        ends = np.cumsum(self.repeat, dtype=np.int64)
        starts = ends - self.repeat
        total = int(ends[-1]) if len(ends) else 0
        wanted = [cycle for cycle in cycles if 0 < cycle < total]
        bounds = np.unique(np.concatenate((starts, np.array(wanted, np.int64))))
        rows = np.searchsorted(starts, bounds, "right") - 1
        if (self.until[rows] & (bounds != starts[rows])).any():
            raise ValueError("a row that is repeated until its outputs match cannot be split")
        repeat = np.diff(np.append(bounds, total)).astype(np.uint32)
        labels = {int(np.searchsorted(rows, row)): text for row, text in self.labels.items()}
        return replace(self.pick(rows), repeat=repeat, labels=labels), rows

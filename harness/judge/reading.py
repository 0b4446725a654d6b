"""What the run that reads words back gives an outcome: a drawn window, a long one, contention."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.board import CaptureWindow
from harness.judge.evidence import window
from harness.records import MAX_WINDOW_TEXT, LongWindow, Window, packed_words
from harness.table import PLANES, Names, Pattern

REACH = 8
"""Cycles read back before the first mismatch, and drawn on both sides of it."""
DRAWN = 2 * REACH + 1
"""Cycles of a window that is not long."""
MAX_READ = 4096
"""Maximum number of cycles read back from the first mismatch on."""
MAX_WHOLE = 1024
"""Maximum number of cycles of a run that is read back from its first one on."""
SERIAL_REACH = 2048
"""``REACH`` of a design with a serial interface: a character is read from its start bit on."""
MAX_LONG_WINDOWS = 8
"""Maximum number of tables of a slot, in one run, of which more is read back than is drawn."""
ALL_READ = f"at most {MAX_READ:,} are read back from the first mismatch on"
ENOUGH = f"{MAX_LONG_WINDOWS} tables of the slot already have a long window in this run"
ALL_OPEN = "every wrong pin follows the weak pulls, so they show nothing"


@dataclass(frozen=True, eq=False)
class Reading:
    """Words read back, the pattern that gave them, and the table's row of each of its rows.

    ``first`` is the first wrong cycle of the run that is reported, which had ``total`` cycles;
    ``limit`` says why no more was read, if there is more.
    """

    run: Pattern
    rows: NDArray[np.int64]
    words: CaptureWindow
    first: int
    total: int
    limit: str

    def drawn(self, names: Names) -> Window:
        """Return the cycles around the first mismatch, wave by wave."""
        near = np.abs(self.words.cycle.astype(np.int64) - self.first) <= REACH
        row, cycle, seen, floating = (plane[near] for plane in self._read())
        return window(self.run, CaptureWindow(row, cycle, seen, floating), names)

    def long(self, names: Names) -> LongWindow:
        """Return the cycles, packed: all of them, or as many as fit."""
        start, stop = 0, len(self.words.cycle)
        near = max(0, self.first - REACH - int(self.words.cycle[0]))
        while len(text := packed_words(self._columns(slice(start, stop)))) > MAX_WINDOW_TEXT:
            start, stop = (near, stop) if start < near else (start, (start + stop) // 2)
        first = int(self.words.cycle[start])
        return LongWindow(
            cycle=first,
            cycles=stop - start,
            pins=names.pins,
            signals=tuple(names.signal(bit) for bit in range(len(names.pins))),
            words=text,
            cut=self._cut(self.total - first - (stop - start), stop),
        )

    def contention(self) -> int:
        """Return the pins that read back another level than the controller drove."""
        row = self.words.row
        against = (self.words.seen ^ self.run.drive[row]) & self.run.enable[row]
        return int(np.bitwise_or.reduce(against, initial=0))

    def wrong(self, stop: int) -> int:
        """Return the pins with a wrong level or a missing release in rows of the table to ``stop``.

        ``stop`` is exclusive.
        """
        row = self.words.row
        level = (self.words.seen ^ self.run.expect[row]) & self.run.care[row]
        driven = self.run.highz[row] & ~self.words.floating
        return int(np.bitwise_or.reduce((level | driven)[self.rows[row] < stop], initial=0))

    def _read(self) -> tuple[NDArray[np.uint32], ...]:
        return self.words.row, self.words.cycle, self.words.seen, self.words.floating

    def _columns(self, kept: slice) -> Mapping[str, Sequence[int]]:
        row = self.words.row[kept]
        planes = {name: getattr(self.run, name)[row] for name in (*PLANES, "line")}
        planes |= {name: getattr(self.words, name)[kept] for name in ("seen", "floating")}
        planes["row"] = self.rows[row]
        return {name: plane.tolist() for name, plane in planes.items()}

    def _cut(self, left: int, stop: int) -> str:
        """Say how many later cycles are missing, and why; empty if there are none."""
        if left <= 0:
            return ""
        if stop < len(self.words.cycle):
            why = f"more do not fit in {MAX_WINDOW_TEXT:,} characters"
        else:
            why = self.limit
        return f"{left:,} later cycles are not kept: {why}"

"""Runs beyond those that are judged: the table once more to read words back, or on weak pulls.

One rule: the chip gets exactly the stimulus of the run that is reported, cycle for cycle. A row
that was repeated until its outputs matched is repeated as often as then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.board import Capture
from harness.table import Pattern, Words

MAX_PULLED = 20_000
"""Maximum number of cycles in which all pins are tested by weak pulls: 20 s at 1 ms a cycle."""


@dataclass(frozen=True)
class Floating:
    """Pins that followed the weak pulls: in ``some`` tested cycle, in ``every`` one."""

    some: int = 0
    every: int = 0

    @property
    def released(self) -> int:
        """Pins that were driven in one tested cycle and not in another: their contact is good."""
        return self.some & ~self.every


NONE = Floating()


def as_run(pattern: Pattern, until_used: Mapping[int, int]) -> tuple[Pattern, NDArray[np.int64]]:
    """Return what one run gave the chip, without ``until``, and the table's row of each row.

    An ``until`` row that took several cycles becomes two rows, and the last cycle alone is tested.
    """
    repeat = pattern.repeat.copy()
    for row, used in until_used.items():
        repeat[row] = used
    waits = pattern.until
    fixed = replace(pattern, repeat=repeat, until=np.zeros_like(waits))
    ends = np.cumsum(repeat, dtype=np.int64)
    cut, rows = fixed.split((ends[waits] - 1).tolist())
    waiting = waits[rows] & (np.append(rows[1:], -1) == rows)
    kept = np.where(waiting, np.uint32(0), np.uint32(0xFFFFFFFF))
    tests = {"expect": cut.expect & kept, "care": cut.care & kept, "highz": cut.highz & kept}
    return replace(cut, **tests), rows  # type: ignore[arg-type]  # by name


def up_to(run: Pattern, stop: int) -> tuple[Pattern, NDArray[np.int64]]:
    """Return the cycles before ``stop``, and the run's row of each row."""
    cut, rows = run.split([stop])
    count = int(np.searchsorted(np.cumsum(cut.repeat, dtype=np.int64), stop)) + 1
    return cut.rows(0, count), rows[:count]


def pulled(run: Pattern, first: int) -> Pattern | None:
    """Plan to test, in every cycle, whether the pins whose level is tested there are driven.

    ``first`` is the first wrong cycle. In more than ``MAX_PULLED`` cycles, those on both sides of
    it are tested so (a pin that goes wrong there was driven before if its contact is good), and
    every pin that is tested in none of them in one cycle. None if the table tests no level of a pin
    that the board does not drive.
    """
    start = max(0, min(first - MAX_PULLED // 2, run.cycles - MAX_PULLED))
    every = int(np.bitwise_or.reduce(_tested(run), initial=0))
    return _testing(run, range(start, start + MAX_PULLED), every)


def contacts(run: Pattern) -> Pattern | None:
    """Plan a test of the pins whose expected level never changes in the table; None without any.

    A pin that answered both levels is connected. An open pin that is only ever expected at one
    level could "pass" by chance, so it is tested by weak pulls in a row that expects it.
    """
    tested = _tested(run)
    high = int(np.bitwise_or.reduce(tested & run.expect, initial=0))
    low = int(np.bitwise_or.reduce(tested & ~run.expect, initial=0))
    return _testing(run, range(0), high ^ low)


def floating_pins(probe: Pattern, capture: Capture) -> Floating:
    """Return which of the probed pins followed the weak pulls.

    A pin counts as wrong in each cycle in which it was driven, so its count tells in how many it
    was not.
    """
    some = every = 0
    for bit in range(32):
        mask = np.uint32(1 << bit)
        tests = int(probe.repeat[(probe.highz & mask) != 0].sum(dtype=np.int64))
        driven = capture.pin_counts.get(bit, 0)
        if driven < tests:
            some |= 1 << bit
            every |= 0 if driven else 1 << bit
    return Floating(some, every)


def _tested(run: Pattern) -> Words:
    """Return, row by row, the pins whose level is tested and that the board does not drive."""
    return run.care & ~run.highz & ~run.enable


def _testing(run: Pattern, cycles: range, pins: int) -> Pattern | None:
    """Test by weak pulls all tested pins in these cycles, and each other one of ``pins`` once."""
    ends = np.cumsum(run.repeat, dtype=np.int64)
    starts = ends - run.repeat
    tested = _tested(run)
    inside = tested[(ends > cycles.start) & (starts < cycles.stop)] if cycles else tested[:0]
    once = _cover(tested, starts, pins & ~int(np.bitwise_or.reduce(inside, initial=0)))
    around = [cycle for first in once for cycle in (first, first + 1)]
    cut, rows = run.split([cycles.start, cycles.stop, *around])
    begins = np.cumsum(cut.repeat, dtype=np.int64) - cut.repeat
    masks = np.where((begins >= cycles.start) & (begins < cycles.stop), tested[rows], 0)
    for first, mask in once.items():
        masks[int(np.searchsorted(begins, first))] |= mask
    probed = np.flatnonzero(masks)
    if not len(probed):
        return None
    stop = int(probed[-1]) + 1
    none = np.zeros(stop, np.uint32)
    return replace(cut.rows(0, stop), care=none, expect=none, highz=masks[:stop].astype(np.uint32))


def _cover(tested: Words, starts: NDArray[np.int64], pins: int) -> dict[int, int]:
    """Choose, greedily, a few cycles that together test each of these pins."""
    chosen: dict[int, int] = {}
    while pins:
        row = int(np.argmax(np.bitwise_count(tested & np.uint32(pins))))
        mask = int(tested[row]) & pins
        if not mask:
            break
        chosen[int(starts[row])] = mask
        pins &= ~mask
    return chosen

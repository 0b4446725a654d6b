"""Runs beyond those that are judged: the table once more to read words back, or on weak pulls.

One rule: the chip gets exactly the stimulus of the run that is reported, cycle for cycle. A row
that was repeated until its outputs matched is repeated as often as then.

A line that nothing drives reads some level all the same, and where that is the expected one the
run passes. So of a run that passes a few early cycles are tested by weak pulls: one for each pin
and each level that the table expects of it.
"""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.board import Capture, Mismatch
from harness.table import Pattern, Words, bits

MAX_PULLED = 20_000
"""Maximum number of cycles in which all pins are tested by weak pulls: 20 s at 1 ms a cycle."""


Levels = NDArray[np.uint64]


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
    return _testing(run, range(start, start + MAX_PULLED), _tested(run).astype(np.uint64))


def contacts(run: Pattern) -> Pattern | None:
    """Plan a test of every tested pin, once at each level that the table expects of it.

    The run ends as early as that allows. None if the table tests no level of a pin that the board
    does not drive.
    """
    tested = _tested(run)
    levels = (tested & ~run.expect).astype(np.uint64) | _high(tested & run.expect)
    return _testing(run, range(0), levels)


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


def released(
    table: Pattern, capture: Capture, run: tuple[Pattern, NDArray[np.int64]], asked: Capture
) -> Capture:
    """Return a run that passed with a mismatch in each cycle in which a pin was found floating.

    ``run`` is what it gave the chip, ``asked`` the test of its :func:`contacts`. A pin that floats
    in all of its cycles has an open contact, and is left out. The signature takes these mismatches
    in: the run's own is that of a chip without a fault.
    """
    pattern, rows = run
    probe = contacts(pattern)
    loose = floating_pins(probe, asked).released if probe is not None else 0
    if probe is None or not loose:
        return capture
    driven = {bad.cycle: bad.wrong for bad in asked.mismatches}
    kept = max(driven) if asked.mismatch_count > len(driven) else probe.cycles
    starts = np.cumsum(probe.repeat, dtype=np.int64) - probe.repeat
    ends = np.cumsum(pattern.repeat, dtype=np.int64)
    found: list[Mismatch] = []
    signature = capture.signature
    for place in np.flatnonzero(probe.highz).tolist():
        cycle = int(starts[place])
        wrong = int(probe.highz[place]) & loose & ~driven.get(cycle, 0)
        if not wrong or (found and cycle > kept):
            continue
        at = int(np.searchsorted(ends, cycle, side="right"))
        row = int(rows[at])
        first = int((ends - pattern.repeat)[np.argmax(rows == row)])
        found.append(Mismatch(cycle, row, cycle - first, int(table.expect[row]), wrong, wrong))
        signature = zlib.crc32(struct.pack("<QI", cycle, wrong), signature)
    counts = Counter(bit for bad in found for bit in bits(bad.wrong))
    return replace(
        capture,
        mismatch_count=len(found),
        mismatches=tuple(found),
        pin_counts=dict(counts),
        signature=signature,
    )


def _tested(run: Pattern) -> Words:
    """Return, row by row, the pins whose level is tested and that the board does not drive."""
    return run.care & ~run.highz & ~run.enable


def _high(words: Words) -> Levels:
    """Return words as the upper half of others."""
    return words.astype(np.uint64) << np.uint64(32)


def _testing(run: Pattern, cycles: range, wanted: Levels) -> Pattern | None:
    """Test by weak pulls all tested pins in these cycles, and each other bit of ``wanted`` once.

    ``wanted`` has two halves, in each of which a bit is a pin.
    """
    ends = np.cumsum(run.repeat, dtype=np.int64)
    starts = ends - run.repeat
    tested = _tested(run)
    inside = wanted[(ends > cycles.start) & (starts < cycles.stop)] if cycles else wanted[:0]
    once = _cover(wanted & ~np.bitwise_or.reduce(inside, initial=0), starts)
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


def _cover(wanted: Levels, starts: NDArray[np.int64]) -> dict[int, int]:
    """Choose, greedily, a few early cycles that together test each wanted bit, and their pins.

    None is later than the last of the bits' first rows.
    """
    left = np.bitwise_or.reduce(wanted, initial=np.uint64(0))
    seen = np.bitwise_or.accumulate(wanted)
    wanted = wanted[: int(np.searchsorted(np.bitwise_count(seen), np.bitwise_count(left))) + 1]
    chosen: dict[int, int] = {}
    while left:
        row = int(np.argmax(np.bitwise_count(wanted & left)))
        mask = int(wanted[row] & left)
        chosen[int(starts[row])] = mask & 0xFFFFFFFF | mask >> 32
        left &= ~wanted[row]
    return chosen

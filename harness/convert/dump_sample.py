"""Levels over time become raw rows: what a table may drive and test, one row a settled state.

The rules of sampling, of which the first is right for most benches:

``pulses``
    the inputs of a row are those just before its pulse, even if they change with the edge; a
    change of inputs begins a new row, with the clock at rest; outputs are taken just before the
    next row begins
``before``
    the same rows, but outputs are tested only where the next thing is a pulse: for designs with
    delays that are longer than the bench waits
``levels``
    no pulses: the clock is an input like others, and moves in a row of its own

One rule: what is driven was there at the same time, and what is tested has settled.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.convert.choices import Edge, Sample
from harness.convert.dump_levels import Steps
from harness.convert.dump_map import PinMap
from harness.convert.dump_spool import CLOCK, LAST, PULSE, Raw, Spool
from harness.shuttle import Direction
from harness.table import Words, bits


@dataclass
class Observed:
    """What was seen on the way.

    ``answered`` are the outputs that changed after an input did, by the input's bit; ``glitches``
    counts rows in which an output changed twice, by its bit, and ``first_glitch`` is the time of
    the first. ``rose`` and ``fell`` count steps in which outputs changed while the clock was high
    and low, and no input did.
    """

    rows: int = 0
    rose: int = 0
    fell: int = 0
    answered: dict[int, int] = field(default_factory=dict)
    glitches: Counter[int] = field(default_factory=Counter)
    first_glitch: dict[int, int] = field(default_factory=dict)


class _Heads(NamedTuple):
    """Beginnings of rows: their inputs, those before, and what began the row."""

    time: NDArray[np.int64]
    drive: Words
    unknown: Words
    held: Words
    drive_before: Words
    unknown_before: Words
    held_before: Words
    changed: Words
    edge: NDArray[np.bool_]
    clock: NDArray[np.bool_]

    def part(self, part: slice) -> _Heads:
        return _Heads._make(column[part] for column in self)


class _Inputs(NamedTuple):
    """The inputs at each step, and whether the clock is at its active level."""

    drive: Words
    unknown: Words
    held: Words
    active: NDArray[np.bool_]


class Sampler:
    """Turns steps into raw rows: :meth:`take` them in order, then :meth:`finish`."""

    def __init__(self, pins: PinMap, sample: Sample, edge: Edge, spool: Spool) -> None:
        self.observed = Observed()
        self._levels = sample is Sample.LEVELS
        self._falling = edge is Edge.FALLING and not self._levels
        self._spool = spool
        self._clock = np.uint32(pins.mask(Direction.CLOCK))
        self._inputs = np.uint32(pins.mask(Direction.INPUT, Direction.RESET))
        self._tested = np.uint32(pins.mask(Direction.OUTPUT, Direction.BIDIRECTIONAL))
        self._before: Steps | None = None
        self._open: _Heads | None = None
        self._end = np.zeros(3, np.uint32)
        self._flips = np.zeros(32, np.int64)

    def take(self, steps: Steps) -> None:
        """Add time steps."""
        first = self._before is None
        if self._before is None:
            self._before = _part(steps, slice(0, 1))
        joined = Steps._make(_joined(self._before, steps))
        heads, starts = self._heads(joined, first)
        if self._open is None:
            self._open, heads, starts = heads.part(slice(1)), heads.part(slice(1, None)), starts[1:]
            self._end = np.array([[joined.high[0]], [joined.unknown[0]], [joined.floating[0]]])
        self._count_flips(joined, starts)
        self._count_phases(joined)
        if len(starts):
            ends = starts - 1
            levels = (joined.high[ends], joined.unknown[ends], joined.floating[ends])
            closed = _Heads._make(_joined(self._open, heads.part(slice(-1))))
            self._emit(closed, levels, heads.edge)
            self._open = heads.part(slice(-1, None))
        self._before = _part(steps, slice(-1, None))

    def finish(self) -> None:
        """End the last row."""
        if self._before is not None and self._open is not None:
            levels = (self._before.high, self._before.unknown, self._before.floating)
            self._emit(self._open, levels, np.zeros(1, np.bool_))

    def _at(self, steps: Steps) -> _Inputs:
        driven = self._inputs | steps.held
        high = (steps.high & self._clock) != 0
        if self._falling:
            known = (steps.unknown | steps.floating) & self._clock == 0
            high = ~high & known
        dark = (steps.unknown | steps.floating) & driven
        return _Inputs(steps.high & driven, dark, steps.held, high)

    def _count_phases(self, joined: Steps) -> None:
        """Count in which phase of the clock outputs change by themselves."""
        driven = self._inputs | joined.held
        moves = joined.high ^ np.concatenate((joined.high[:1], joined.high[:-1]))
        alone = (moves & self._tested & ~joined.held != 0) & (moves & driven == 0)
        high = joined.high & self._clock != 0
        self.observed.rose += int(np.count_nonzero(alone & high))
        self.observed.fell += int(np.count_nonzero(alone & ~high))

    def _heads(self, joined: Steps, first: bool) -> tuple[_Heads, NDArray[np.int64]]:
        """Return the beginnings of rows, and the steps (the first is of before) that they are."""
        now = self._at(joined)
        before = _Inputs._make(np.concatenate((column[:1], column[:-1])) for column in now)
        changed = (now.drive ^ before.drive) | (now.unknown ^ before.unknown)
        changed |= now.held ^ before.held
        edge = now.active & ~before.active
        if self._levels:
            edge = now.active != before.active
        start = (changed != 0) | edge
        start[0], start[1] = False, start[1] or first
        starts = np.flatnonzero(start)
        rest = now.active if self._levels else np.full(len(start), self._falling)
        columns = (*now[:3], *before[:3], changed, edge, rest)
        heads = _Heads._make(column[starts] for column in (joined.time, *columns))
        return heads, starts

    def _emit(self, heads: _Heads, levels: Sequence[Words], last: NDArray[np.bool_]) -> None:
        """Write one row for each head, two where inputs changed with the edge itself."""
        still = heads.changed == 0
        self._observe(heads, np.array(levels), still)
        none = np.zeros(len(still), np.uint32)
        flags = heads.clock * np.uint32(CLOCK)
        pulsed = flags | np.uint32(0 if self._levels else PULSE)
        before = (heads.drive_before, heads.unknown_before, heads.held_before)
        after = (heads.drive, heads.unknown, heads.held)
        pulses = (*before, *levels, none, heads.changed, pulsed | (last & still) * np.uint32(LAST))
        rests = (*after, *levels, heads.changed, none, flags | last * np.uint32(LAST))
        wanted = np.stack((heads.edge, ~heads.edge | ~still), axis=1).ravel()
        both = [np.stack(pair, axis=1).ravel()[wanted] for pair in zip(pulses, rests, strict=True)]
        rows = Raw(np.repeat(heads.time, 2)[wanted], *both)
        self.observed.rows += len(rows.time)
        self._spool.write(rows)

    def _observe(self, heads: _Heads, levels: NDArray[np.uint32], still: NDArray[np.bool_]) -> None:
        """Note which outputs changed after which inputs, where no edge could be the reason."""
        before = np.concatenate((self._end, levels[:, :-1]), axis=1)
        self._end = levels[:, -1:]
        reason = ~heads.edge & ~still
        answers = np.bitwise_or.reduce(levels ^ before, axis=0)[reason] & self._tested
        inputs = heads.changed[reason]
        for bit in bits(int(np.bitwise_or.reduce(inputs, initial=0))):
            moved = inputs >> np.uint32(bit) & np.uint32(1) != 0
            mask = int(np.bitwise_or.reduce(answers[moved], initial=0))
            self.observed.answered[bit] = self.observed.answered.get(bit, 0) | mask

    def _count_flips(self, joined: Steps, starts: NDArray[np.int64]) -> None:
        """Count rows in which a known output level changes twice: no row shows what was between."""
        lost = (joined.unknown | joined.floating)[:-1]
        flips = (joined.high[1:] ^ joined.high[:-1]) & ~lost & self._tested
        flips &= ~joined.held[1:]
        row_of = np.searchsorted(starts, np.arange(1, len(joined.time)), side="right")
        closed, carried = len(starts), self._flips.copy()
        if closed:
            self._flips[:] = 0
        for bit in bits(int(np.bitwise_or.reduce(flips, initial=0))):
            mine = np.flatnonzero(flips >> np.uint32(bit) & np.uint32(1))
            counts = np.bincount(row_of[mine], minlength=closed + 1)
            counts[0] += carried[bit]
            self._flips[bit] = counts[closed]
            often = np.flatnonzero(counts[:closed] >= 2)
            if len(often):
                self.observed.glitches[bit] += len(often)
                last = mine[np.searchsorted(row_of[mine], often[0], side="right") - 1]
                self.observed.first_glitch.setdefault(bit, int(joined.time[last + 1]))


def _part(steps: Steps, part: slice) -> Steps:
    return Steps._make(column[part] for column in steps)


def _joined(
    first: Iterable[NDArray[Any]], second: Iterable[NDArray[Any]]
) -> Iterator[NDArray[Any]]:
    return map(np.concatenate, zip(first, second, strict=True))

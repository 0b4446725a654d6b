"""Raw rows become the rows of a table: what is tested where, and what is left out.

One rule: a row is left out only if it adds nothing: a row with the clock at rest before a pulse
with the same inputs, when no output answers to what changed; the bench's reset, when the board
does the same one; and repeats, which become a count.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.convert.choices import Sample
from harness.convert.dump_map import PinMap, is_reset
from harness.convert.dump_reach import Reach
from harness.convert.dump_spool import CLOCK, LAST, PULSE, Raw, Spool
from harness.shuttle import Direction, Shuttle
from harness.table import PLANES, TESTING, Pattern, Words, bits


@dataclass(frozen=True)
class ResetPhase:
    """The reset that a dump begins with.

    The first ``left_out`` raw rows are done by the board, in ``cycles`` clocks; None: the table's
    own setting, because the bench has no reset. Rows before ``proven`` test nothing: until the
    reset, a simulator with two states knows more than a chip.
    """

    left_out: int = 0
    cycles: int | None = None
    proven: int = 0


NO_RESET = ResetPhase(cycles=0)
"""The chip's reset pin is none of the design's, so the board has nothing to do."""


class Reaches(NamedTuple):
    """Which outputs answer to inputs: for ``sure``, and as far as was ``seen`` in the dump."""

    sure: Reach
    seen: Reach


def find_reset(spool: Spool, pins: PinMap, shuttle: Shuttle, *, keep: bool) -> ResetPhase:
    """Find the reset that a dump begins with, and whether it is one that a board does.

    It is if the reset is active from the start for at least one clock, with all other inputs low
    or unknown. With ``keep`` its rows stay in the table.
    """
    reset = pins.mask(Direction.RESET)
    if not reset:
        return ResetPhase() if any(map(is_reset, pins.absent)) else NO_RESET
    inactive = reset if shuttle.reset_active_low else 0
    left, pulses, rest, pulsed = _leading(spool, reset, inactive)
    if left and pulses and rest and not keep:
        return ResetPhase(left, pulses, left)
    proven = _first_reset(spool, reset, inactive)
    if proven is None:
        return ResetPhase()
    return ResetPhase(0, 0, pulsed if left and pulsed is not None else proven)


def _leading(spool: Spool, reset: int, inactive: int) -> tuple[int, int, bool, int | None]:
    """Return rows with reset active at the start, pulses, whether others rest, the first pulse."""
    rows = pulses = 0
    rest, first_pulse = True, None
    for first, piece in spool.pieces():
        active = ((piece.drive ^ inactive) & reset != 0) & (piece.unknown & reset == 0)
        stop = int(np.argmin(active)) if not active.all() else len(piece.time)
        part = piece.part(slice(stop))
        pulsed = np.flatnonzero(part.has(PULSE))
        if first_pulse is None and len(pulsed):
            first_pulse = first + int(pulsed[0])
        pulses, rows = pulses + len(pulsed), rows + stop
        rest = rest and not np.any(part.drive & ~np.uint32(reset) | part.held)
        if stop < len(piece.time):
            break
    return rows, pulses, rest, first_pulse


def _first_reset(spool: Spool, reset: int, inactive: int) -> int | None:
    """Return the first pulse with reset active, else the first row with it active."""
    found: int | None = None
    for first, piece in spool.pieces():
        active = ((piece.drive ^ inactive) & reset != 0) & (piece.unknown & reset == 0)
        for rows in (active & piece.has(PULSE), active):
            places = np.flatnonzero(rows)
            if len(places) and (rows is not active or found is None):
                found = first + int(places[0])
                if rows is not active:
                    return found
    return found


class TableRows:
    """The rows of the table, as patterns of some thousand rows each."""

    def __init__(
        self, spool: Spool, pins: PinMap, shuttle: Shuttle, sample: Sample, reach: Reaches
    ) -> None:
        self._spool, self._reach = spool, reach
        self._clock = np.uint32(pins.mask(Direction.CLOCK))
        self._before = sample is Sample.BEFORE and bool(self._clock)
        self._inputs = np.uint32(pins.mask(Direction.INPUT, Direction.RESET))
        self._tested = np.uint32(pins.mask(Direction.OUTPUT, Direction.BIDIRECTIONAL))
        self._default = np.uint32(shuttle.rest_levels[0])

    def patterns(self, reset: ResetPhase) -> Iterator[tuple[Pattern, NDArray[np.int64]]]:
        """Yield patterns in order, with the simulation time of each of their rows."""
        floated = np.uint32(0)
        rest: tuple[NDArray[np.uint32], NDArray[np.int64]] | None = None
        for first, piece, next_pulse in self._spool.with_next(reset.left_out):
            planes = self._planes(piece, floated)
            floated = piece.floating[-1]
            silent = max(0, min(len(piece.time), reset.proven - first))
            planes[_TESTS, :silent] = 0
            kept = ~self._adds_nothing(piece, next_pulse, planes)
            rows = np.concatenate((planes, np.ones((1, len(piece.time)), np.uint32)))[:, kept]
            times = piece.time[kept]
            if rest is not None:
                rows = np.concatenate((rest[0], rows), axis=1)
                times = np.concatenate((rest[1], times))
            rows, times = _folded(rows, times)
            rest = rows[:, -1:], times[-1:]
            if rows.shape[1] > 1:
                yield self._pattern(rows[:, :-1]), times[:-1]
        if rest is not None:
            yield self._pattern(rest[0]), rest[1]

    def _planes(self, piece: Raw, floated: np.uint32) -> NDArray[np.uint32]:
        """Return the planes in the order of ``PLANES``; Z is tested where a pin begins to float."""
        clock = np.where(piece.has(CLOCK), self._clock, np.uint32(0))
        drive = piece.drive | (piece.unknown & self._default) | clock
        enable = self._inputs | piece.held | self._clock
        pulse = np.where(piece.has(PULSE), self._clock, np.uint32(0))
        shown = self._tested & ~piece.held & ~_answering(self._reach.sure, piece.moved)
        if self._before:
            shown = np.where(piece.has(LAST), shown, np.uint32(0))
        floating = piece.floating
        care = shown & ~piece.dark & ~floating
        began = floating & ~np.concatenate(([floated], floating[:-1]))
        return np.array([drive, enable, pulse, piece.high & care, care, shown & began])

    def _adds_nothing(
        self, piece: Raw, next_pulse: NDArray[np.bool_], planes: NDArray[np.uint32]
    ) -> NDArray[np.bool_]:
        """Return which rows with the clock at rest the pulse after them makes superfluous."""
        idle: NDArray[np.bool_] = ~piece.has(PULSE) & next_pulse
        tests = planes[PLANES.index("care")] | planes[PLANES.index("highz")]
        if not self._before:
            tests &= _answering(self._reach.seen, piece.changed)
        nothing: NDArray[np.bool_] = idle & (tests == 0)
        return nothing

    def _pattern(self, rows: NDArray[np.uint32]) -> Pattern:
        planes = dict(zip(PLANES, rows, strict=False))
        return Pattern.of(**planes, repeat=rows[-1])


def _answering(reach: Reach, inputs: Words) -> Words:
    """Outputs that any of the inputs may change, row by row."""
    mask = np.zeros(len(inputs), np.uint32)
    for bit in bits(int(np.bitwise_or.reduce(inputs, initial=0))):
        mask |= (inputs >> np.uint32(bit) & np.uint32(1)) * np.uint32(reach.of(1 << bit))
    return mask


_TESTS = [PLANES.index(name) for name in TESTING]


def _folded(
    rows: NDArray[np.uint32], times: NDArray[np.int64]
) -> tuple[NDArray[np.uint32], NDArray[np.int64]]:
    """Join equal neighbours; the last of the ``rows`` counts cycles."""
    if not rows.shape[1]:
        return rows, times
    new = np.concatenate(([True], np.any(rows[:-1, 1:] != rows[:-1, :-1], axis=0)))
    starts = np.flatnonzero(new)
    folded = rows[:, starts].copy()
    folded[-1] = np.add.reduceat(rows[-1], starts)
    return folded, times[starts]


def joined(patterns: Iterable[Pattern]) -> Pattern:
    """Join the patterns of one table into one, with its lines numbered from 1."""
    pieces = list(patterns)
    whole = Pattern.joined(pieces, pieces[0].signals)
    return replace(whole, line=np.arange(1, len(whole) + 1, dtype=np.int32))

"""A virtual board without interpreter and wire: its chip runs, and is judged, in this process.

The one rule: a run gives what the same board gives through the whole stack, but for the seconds
and the bytes that it takes; chip, lines and faults are those of the whole stack.
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol
from harness.board import (
    Answers,
    BoardIdentity,
    BoardProfile,
    Capture,
    Resting,
    Room,
    RunConditions,
    check_gap_free,
    paced_timing,
)
from harness.errors import ModelMissing, VirtualError
from harness.shuttle import Design, Shuttle
from harness.table import NO_CYCLES, Cycles, Pattern, Words
from harness.virtual.chip import ChipModel
from harness.virtual.spec import VirtualBoardSpec

_PART = 1 << 16
"""Cycles that are run and compared at once."""
_Places = NDArray[np.int64]


class DirectBoard:
    """A session with the board of a spec, whose link faults and program do not count here."""

    def __init__(self, spec: VirtualBoardSpec, shuttle: Shuttle, profile: BoardProfile) -> None:
        self._spec = spec
        self._profile = profile
        self.identity = BoardIdentity(spec.board_serial, "", "none", "direct", exact=False)
        self._power_up(shuttle)

    def _power_up(self, shuttle: Shuttle) -> None:
        """Power a chip with these designs up."""
        spec, select = self._spec, self._profile.select
        self._resting = Resting(shuttle, self._profile)
        self._model = ChipModel(shuttle, select, spec.chip_serial, spec.defects, spec.board_faults)

    def select(self, design: Design) -> None:
        """Select a design, with reset held."""
        rows, conditions = self._resting.selection(design)
        self._begin(conditions)
        self._drive(rows)
        self._resting.hold(rows)

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        """Run a pattern, reset first; as :meth:`harness.board.Session.run`.

        Raises ModelMissing if the selected design cannot be evaluated, and TableUnfit.
        """
        whole = self._resting.whole(pattern)
        if conditions.gap_free:
            check_gap_free(whole, Room(rows=0), self._profile.about)
        began = time.monotonic()
        achieved_hz = self._begin(conditions)
        try:
            if conditions.reset_cycles:
                self._drive(self._resting.reset(conditions.reset_cycles))
            tally = _Tally(pattern, self._window(pattern, conditions, window))
            for start, stop in _stretches(pattern):
                if pattern.until[start]:
                    self._run_until(whole, start, tally)
                else:
                    self._run(whole, start, stop, tally)
        except VirtualError as error:
            raise ModelMissing(str(error)) from error
        answers = tally.answers
        answers.pin_counts = dict(sorted(answers.pin_counts.items()))
        return answers.capture(achieved_hz, exact=False, seconds=time.monotonic() - began)

    def supply_ma(self) -> float | None:
        """Give the chip's supply current in mA; None without a sensor."""
        return self._spec.drawn_ma if self._profile.supply_sensor else None

    def cancel(self) -> None:
        """Do nothing: no run takes long."""

    def close(self) -> None:
        """Do nothing: there is nothing to leave."""

    @staticmethod
    def _window(pattern: Pattern, conditions: RunConditions, window: Cycles) -> Cycles:
        """Give the part of a window that comes back; a long one only of a run that may pause."""
        if conditions.gap_free or pattern.until.any():
            return window[0], min(window[1], window[0] + protocol.MAX_WINDOW)
        return window

    def _begin(self, conditions: RunConditions) -> float:
        """Set the time of a cycle; gives the rate."""
        timing = paced_timing(conditions, self._profile)
        self._model.configure(1e9 / min(timing.sample_ns or timing.period_ns, timing.period_ns))
        return 1e9 / timing.period_ns

    def _drive(self, rows: Pattern) -> None:
        """Run rows, and forget what the chip says."""
        row = np.repeat(np.arange(len(rows)), rows.repeat)
        self._model.run(rows.drive[row], rows.enable[row], rows.pulse[row], rows.highz[row])

    def _run(self, whole: Pattern, start: int, stop: int, tally: _Tally) -> None:
        """Run rows that repeat so many times."""
        ends = np.cumsum(whole.repeat[start:stop], dtype=np.int64)
        begins = ends - whole.repeat[start:stop]
        for first in range(0, int(ends[-1]), _PART):
            cycle = np.arange(first, min(first + _PART, int(ends[-1])))
            place = np.searchsorted(ends, cycle, side="right")
            row = place + start
            columns = (whole.drive, whole.enable, whole.pulse, whole.highz)
            seen, floating = self._model.run(*(column[row] for column in columns))
            tally.add(row, cycle - begins[place], seen, floating)

    def _run_until(self, whole: Pattern, row: int, tally: _Tally) -> None:
        """Repeat a row until it matches; its last cycle counts."""
        columns = (whole.drive, whole.enable, whole.pulse, whole.expect, whole.care, whole.repeat)
        used, seen, _ = self._model.run_until(*(int(column[row]) for column in columns))
        tally.answers.until_used[row] = used
        tally.answers.cycles += used - 1
        tally.add(np.array([row]), np.array([used - 1]), np.array([seen], np.uint32), _NOTHING)


_NOTHING = np.zeros(1, np.uint32)


@dataclass
class _Tally:
    """Judges the cycles of one run as an agent does."""

    pattern: Pattern
    window: Cycles
    answers: Answers = field(default_factory=Answers)

    def add(self, row: _Places, pass_: _Places, seen: Words, floating: Words) -> None:
        """Compare some cycles, one after the other."""
        answers, pattern = self.answers, self.pattern
        expect, care, highz = (c[row] for c in (pattern.expect, pattern.care, pattern.highz))
        wrong = ((seen ^ expect) & care) | (highz & ~floating)
        tested = (seen & care) | (floating & highz)
        answers.signature = zlib.crc32(tested.astype("<u4").tobytes(), answers.signature)
        answers.count(answers.cycles, wrong, row, pass_, seen, floating)
        cycle = np.arange(answers.cycles, answers.cycles + len(row))
        kept = slice(*(max(0, bound - answers.cycles) for bound in self.window))
        words = (column[kept].tolist() for column in (row, cycle, seen, floating))
        answers.window += zip(*words, strict=True)
        answers.cycles += len(row)


def _stretches(pattern: Pattern) -> Iterator[tuple[int, int]]:
    """Rows that wait, one by one, and between them those that do not, as (first, stop)."""
    at = 0
    for row in np.flatnonzero(pattern.until).tolist():
        if at < row:
            yield at, row
        yield row, row + 1
        at = row + 1
    if at < len(pattern):
        yield at, len(pattern)

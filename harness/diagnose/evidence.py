"""What a chip answered to a table of one design, in the words that the engine compares.

The one rule: only what is stored counts: the signature of the whole run, counts by pin, the first
mismatch, and the words of the cycles that were read back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.netlist import Rows
from harness.records import LongWindow, Outcome, Verdict, unpacked_words
from harness.rehearse import table_rows
from harness.shuttle import Shuttle, TableSpec
from harness.table import Pattern

Words = NDArray[np.int64]
LINES = 32
_EXPECT, _CARE, _HIGHZ, _COUNT, _UNTIL = 3, 4, 5, 6, 7


@dataclass(frozen=True, eq=False)
class Answered:
    """One table that ran: its rows (the first ``lead`` come before it) and what came back.

    ``signatures`` are those of its runs, ``counts`` ``(32,)`` the mismatches by line. ``wrong``
    and ``loose`` have the wrong lines of each cycle from ``cycle`` on, as tests of a level and of
    high impedance; they are empty if the cycles that were read back cannot be placed.
    """

    name: str
    rows: Rows
    lead: int
    failed: bool
    signatures: frozenset[int]
    counts: Words
    clock_hz: int
    cycle: int
    wrong: Words
    loose: Words

    @property
    def cycles(self) -> int:
        """Cycles of the table, match loops at their limit."""
        return int(self.rows[self.lead :, _COUNT].sum())

    @property
    def bits(self) -> int:
        """Wrong bits in the cycles that were read back."""
        return int(np.bitwise_count(self.wrong).sum() + np.bitwise_count(self.loose).sum())

    def seen_rows(self) -> tuple[Rows, Rows]:
        """Rows up to the last cycle read back that test what was wrong there, and what was not."""
        before, wrong = _until(self.rows, self.lead, self.cycle), self._within()
        before[:, [_CARE, _HIGHZ]] = 0
        right = wrong.copy()
        wrong[:, _CARE] &= self.wrong
        wrong[:, _HIGHZ] &= self.loose
        right[:, _CARE] &= ~self.wrong
        right[:, _HIGHZ] &= ~self.loose
        return np.concatenate((before, wrong)), np.concatenate((before, right))

    def _within(self) -> Rows:
        """One row for each cycle that was read back."""
        table = self.rows[self.lead :]
        ends = np.cumsum(table[:, _COUNT])
        cycle = np.arange(self.cycle, self.cycle + len(self.wrong))
        rows = table[np.searchsorted(ends, cycle, side="right")].copy()
        rows[:, _COUNT] = 1
        return rows


def _until(rows: Rows, lead: int, cycle: int) -> Rows:
    """The rows before a cycle of the table, the last one cut short; the lead comes first."""
    counts = rows[lead:, _COUNT]
    begins = np.cumsum(counts) - counts
    table = rows[lead:][begins < cycle].copy()
    if len(table):
        table[-1, _COUNT] = cycle - begins[len(table) - 1]
    return np.concatenate((rows[:lead], table))


def answered(
    outcome: Outcome, pattern: Pattern, spec: TableSpec, shuttle: Shuttle
) -> Answered | None:
    """Read a stored outcome; None if its table did not run."""
    if not outcome.attempts or outcome.verdict is Verdict.NOT_RUN:
        return None
    rows, lead = table_rows(pattern, spec, shuttle)
    bits = {pin.name: pin.bit for pin in shuttle.pins}
    counts = np.zeros(LINES, np.int64)
    for count in outcome.pin_counts:
        if count.pin in bits:
            counts[bits[count.pin]] = count.mismatches
    wrong = [attempt for attempt in outcome.attempts if attempt.mismatches]
    hz = round(outcome.conditions.achieved_hz) if outcome.conditions else 0
    return Answered(
        outcome.design + "/" + outcome.table,
        rows,
        lead,
        bool(wrong),
        frozenset(int(attempt.signature, 16) for attempt in wrong),
        counts,
        hz,
        *_read_back(outcome.long_window, rows, lead, bits),
    )


def _read_back(
    window: LongWindow | None, rows: Rows, lead: int, bits: Mapping[str, int]
) -> tuple[int, Words, Words]:
    """The wrong lines of the cycles that were read back, in the shuttle's order of pins."""
    none = np.zeros(0, np.int64)
    if window is None or not window.cycles or rows[lead:, _UNTIL].any():
        return 0, none, none  # match loops shift the cycles of each chip differently
    if window.cycle + window.cycles > int(rows[lead:, _COUNT].sum()):
        return 0, none, none
    try:
        words = unpacked_words(window)
    except ValueError:
        return 0, none, none
    seen, expect, care, highz, floating = (
        _moved(words[name], window.pins, bits)
        for name in ("seen", "expect", "care", "highz", "floating")
    )
    return window.cycle, (seen ^ expect) & care & ~highz, highz & ~floating


def _moved(words: Sequence[int], pins: Sequence[str], bits: Mapping[str, int]) -> Words:
    """Put each pin's bit where the shuttle has it."""
    column = np.array(words, dtype=np.int64)
    moved = np.zeros_like(column)
    for place, pin in enumerate(pins):
        if pin in bits:
            moved |= ((column >> place) & 1) << bits[pin]
    return moved

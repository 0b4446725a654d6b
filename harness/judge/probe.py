"""Probes: short patterns that tell an open connection from a wrong answer.

One rule: every pattern made here gives the chip exactly the stimulus of the table, up to the row
where it stops, and tests by weak pulls a pin that the design should drive there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.board import Capture
from harness.table import Pattern

MAX_PROBES = 4
"""At most so many probes are run for one failing table."""


@dataclass(frozen=True, eq=False)
class Probe:
    """A pattern whose last row tests ``mask`` for high impedance where a design should drive.

    ``row`` is that row's number in the table.
    """

    pattern: Pattern
    mask: int
    row: int


def probes(pattern: Pattern, capture: Capture) -> tuple[Probe, ...]:
    """Plan which pins to test for an open connection, where they were wrong.

    Empty if some wrong pin cannot be judged so: it was to be floating and was driven, it is not
    among the mismatches that the board kept, or too many probes would be needed.
    """
    open_question = sum(1 << bit for bit, count in capture.pin_counts.items() if count)
    planned: list[Probe] = []
    for mismatch in capture.mismatches:
        row = mismatch.row
        if mismatch.wrong & int(pattern.highz[row]):
            return ()
        mask = open_question & mismatch.wrong & ~int(pattern.enable[row])
        if mask:
            planned.append(_probe(pattern, row, mismatch.pass_, mask))
            open_question &= ~mask
    return tuple(planned) if not open_question and len(planned) <= MAX_PROBES else ()


def contact_probes(pattern: Pattern) -> tuple[Probe, ...]:
    """Plan a test of the pins whose expected level never changes in the table.

    A pin that answered both levels is connected. One that was only ever expected at one level
    would also "pass" if it were open, so it is tested for high impedance in a row where that
    level is expected.
    """
    tested = pattern.care & ~pattern.highz & ~pattern.enable
    high = int(np.bitwise_or.reduce(tested & pattern.expect, initial=0))
    low = int(np.bitwise_or.reduce(tested & ~pattern.expect, initial=0))
    open_question = high ^ low
    planned: list[Probe] = []
    while open_question and len(planned) < MAX_PROBES:
        row = int(np.argmax(np.bitwise_count(tested & np.uint32(open_question))))
        mask = int(tested[row]) & open_question
        planned.append(_probe(pattern, row, 0, mask))
        open_question &= ~mask
    return tuple(planned)


def floating_pins(probe: Probe, capture: Capture) -> int:
    """Which of the probed pins followed the weak pulls."""
    driven = 0
    for mismatch in capture.mismatches:
        if mismatch.row == len(probe.pattern) - 1:
            driven |= mismatch.wrong
    return probe.mask & ~driven


def _probe(pattern: Pattern, row: int, pass_: int, mask: int) -> Probe:
    """Run up to one repetition of one row; test ``mask`` there, and nothing before it."""
    cut = pattern.rows(0, row + 1)
    picks = np.arange(row + 1) if pass_ == 0 else np.append(np.arange(row + 1), row)
    cut = _pick(cut, picks)
    last = len(cut) - 1
    repeat, until = cut.repeat.copy(), cut.until.copy()
    repeat[row:] = pass_ or 1
    repeat[last] = 1
    until[row:] = False
    care = np.where(until, cut.care, 0).astype(np.uint32)
    highz = np.zeros_like(cut.highz)
    highz[last] = mask
    stimulus = replace(
        cut, repeat=repeat, until=until, care=care, highz=highz, expect=cut.expect & care
    )
    return Probe(stimulus, mask, row)


def _pick(pattern: Pattern, picks: NDArray[np.int64]) -> Pattern:
    """Rows of a pattern in another order or number; labels are left behind."""
    return replace(
        pattern,
        drive=pattern.drive[picks],
        enable=pattern.enable[picks],
        pulse=pattern.pulse[picks],
        expect=pattern.expect[picks],
        care=pattern.care[picks],
        highz=pattern.highz[picks],
        repeat=pattern.repeat[picks],
        until=pattern.until[picks],
        line=pattern.line[picks],
        labels={},
        notes={},
    )

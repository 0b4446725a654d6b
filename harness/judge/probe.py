"""Probes: short patterns that tell an open connection from a wrong answer.

One rule: every pattern made here gives the chip exactly the stimulus of the table, up to the row
where it stops, and tests by weak pulls a pin that the design should drive there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from harness.board import Capture
from harness.table import Pattern, Words


@dataclass(frozen=True, eq=False)
class Probe:
    """A pattern whose last row tests ``mask`` for high impedance where a design should drive.

    ``row`` is that row's number in the table.
    """

    pattern: Pattern
    mask: int
    row: int


def probes(pattern: Pattern, capture: Capture) -> tuple[Probe, ...]:
    """Plan which pins to test for an open connection: where they were first wrong.

    The board keeps the first mismatches only; a pin that was wrong later is tested where the
    table tests it most together with others. Empty if a pin was to be floating and was driven.
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
    return (*planned, *_cover(pattern, open_question))


def contact_probes(pattern: Pattern) -> tuple[Probe, ...]:
    """Plan a test of the pins whose expected level never changes in the table.

    A pin that answered both levels is connected. One that was only ever expected at one level
    would also "pass" if it were open, so it is tested for high impedance in a row where that
    level is expected.
    """
    tested = _tested(pattern)
    high = int(np.bitwise_or.reduce(tested & pattern.expect, initial=0))
    low = int(np.bitwise_or.reduce(tested & ~pattern.expect, initial=0))
    return _cover(pattern, high ^ low)


def _cover(pattern: Pattern, pins: int) -> tuple[Probe, ...]:
    """Test each of these pins in a row that tests it, with as few probes as a greedy choice."""
    tested = _tested(pattern)
    planned: list[Probe] = []
    while True:
        row = int(np.argmax(np.bitwise_count(tested & np.uint32(pins)))) if pins else 0
        mask = int(tested[row]) & pins
        if not mask:
            return tuple(planned)
        planned.append(_probe(pattern, row, 0, mask))
        pins &= ~mask


def _tested(pattern: Pattern) -> Words:
    """Pins whose level is tested, row by row, and that the board does not drive itself."""
    return pattern.care & ~pattern.highz & ~pattern.enable


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
    cut = cut.pick(picks)
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

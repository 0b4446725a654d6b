"""Probes: short patterns that tell open connections from wrong answers.

One rule: a probe gives the chip exactly the stimulus of the table, up to the last row of interest,
and tests there with weak pulls whether the pins are driven that the design should drive. It tests
all pins in one run, so the time for a verdict does not grow with the number of wrong pins.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.board import Capture
from harness.table import Pattern, Words

Place = tuple[int, int]
"""A row of the table, and a repetition of it."""
_Piece = tuple[NDArray[np.int64], Words, Words]


def probes(pattern: Pattern, capture: Capture) -> Pattern | None:
    """Plan a test for open connections: each pin in the cycle where it was first wrong.

    The board keeps the first mismatches only; a pin that was wrong later is tested in a row that
    tests as many such pins as possible. None if no pin can be tested this way, or if a pin that
    should float was driven.
    """
    open_question = sum(1 << bit for bit, count in capture.pin_counts.items() if count)
    masks: dict[Place, int] = {}
    for mismatch in capture.mismatches:
        row = mismatch.row
        if mismatch.wrong & int(pattern.highz[row]):
            # something drives a pin that should float, so that pin at least is connected: FAIL
            return None
        mask = open_question & mismatch.wrong & ~int(pattern.enable[row])
        if mask:
            masks[row, mismatch.pass_] = mask
            open_question &= ~mask
    for place, mask in _cover(pattern, open_question, capture.until_used).items():
        masks[place] = masks.get(place, 0) | mask
    return _testing(pattern, masks)


def contact_probes(pattern: Pattern, capture: Capture) -> Pattern | None:
    """Plan a test of the pins whose expected level never changes in the table; None without any.

    A pin that answered both levels is connected. An open pin that is only ever expected at one
    level could "pass" by chance, so it is tested for high impedance in a row that expects it.
    """
    tested = _tested(pattern)
    high = int(np.bitwise_or.reduce(tested & pattern.expect, initial=0))
    low = int(np.bitwise_or.reduce(tested & ~pattern.expect, initial=0))
    return _testing(pattern, _cover(pattern, high ^ low, capture.until_used))


def _cover(pattern: Pattern, pins: int, until_used: Mapping[int, int]) -> dict[Place, int]:
    """Choose, greedily, a few rows that together test each of these pins.

    A row that repeats ``until`` its outputs match is probed in the cycle in which they did.
    """
    tested = _tested(pattern)
    masks: dict[Place, int] = {}
    while pins:
        row = int(np.argmax(np.bitwise_count(tested & np.uint32(pins))))
        mask = int(tested[row]) & pins
        if not mask:
            break
        masks[row, until_used.get(row, 1) - 1] = mask
        pins &= ~mask
    return masks


def _tested(pattern: Pattern) -> Words:
    """Return, row by row, the pins whose level is tested and that the board does not drive."""
    return pattern.care & ~pattern.highz & ~pattern.enable


def floating_pins(probe: Pattern, capture: Capture) -> int:
    """Return which of the probed pins followed the weak pulls.

    If the board could not keep every mismatch, a pin that had any counts as driven.
    """
    if capture.mismatch_count > len(capture.mismatches):
        driven = sum(1 << bit for bit, count in capture.pin_counts.items() if count)
    else:
        driven = 0
        for mismatch in capture.mismatches:
            driven |= mismatch.wrong & int(probe.highz[mismatch.row])
    return int(np.bitwise_or.reduce(probe.highz)) & ~driven


def _testing(pattern: Pattern, masks: Mapping[Place, int]) -> Pattern | None:
    """Run up to the last of these places, and test at each only the pins of its mask.

    The chip gets the same stimulus as in the table. ``until`` rows that are not probed are still
    repeated until they match, so they keep their tested pins.
    """
    if not masks:
        return None
    row, repeat, highz = map(np.concatenate, zip(*_pieces(pattern, masks), strict=True))
    cut = pattern.pick(row)
    until = cut.until & ~np.isin(row, [row for row, _pass in masks])
    care = np.where(until, cut.care, 0).astype(np.uint32)
    return replace(
        cut, repeat=repeat, until=until, care=care, highz=highz, expect=cut.expect & care
    )


def _pieces(pattern: Pattern, masks: Mapping[Place, int]) -> Iterator[_Piece]:
    """Cut the rows at the probed repetitions: rows, repetitions of each, pins to test in each."""
    at = done = 0
    for (row, pass_), mask in sorted(masks.items()):
        if row > at:
            left = int(pattern.repeat[at]) - done
            # an until row that was probed ended there: nothing of it is left to repeat
            if not done or (left and not pattern.until[at]):
                yield _piece(at, left, 0)
            between = np.arange(at + 1, row)
            yield between, pattern.repeat[between], np.zeros(len(between), np.uint32)
            at, done = row, 0
        if pass_ > done:
            yield _piece(row, pass_ - done, 0)
        yield _piece(row, 1, mask)
        done = pass_ + 1


def _piece(row: int, repeat: int, mask: int) -> _Piece:
    return np.array([row]), np.array([repeat], np.uint32), np.array([mask], np.uint32)

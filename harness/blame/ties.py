"""Which explanations cannot be told from the best one by what was seen.

One rule: a prior never parts two explanations that predict the same answers; both are kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import reduce
from math import log
from operator import or_

import numpy as np

from harness.blame.slot import Explanation, Idea, Slot
from harness.records import CauseKind

ALONE = 20.0
"""Odds at which an explanation is named alone."""
MAX_TIED = 5
"""Explanations whose ties are looked for."""
_PADS = {
    CauseKind.OPEN,
    CauseKind.STUCK,
    CauseKind.NO_CLOCK,
    CauseKind.RESET_HELD,
    CauseKind.RESET_NEVER,
}
WIRING = _PADS | {CauseKind.OPEN_NEIGHBOURS, CauseKind.DEAD_PAD}
"""Kinds that mean for a pin: what is at one end does not reach the other."""

Where = tuple[object, ...]


def where(explanation: Explanation) -> Where:
    """Where an explanation puts the fault: two that agree in this ask for the same repair."""
    return frozenset(map(_place, explanation.ideas)), explanation.designs


def _place(idea: Idea) -> Where:
    if idea.silent:
        return ("no design answers",)
    pins = frozenset(idea.pins)
    if idea.kind in WIRING:
        return "wiring", pins
    if pins:
        return idea.kind, pins
    return idea.kind, idea.detail if idea.kind is CauseKind.SELECTION_BIT else ""


def covers(other: Explanation, explanation: Explanation) -> bool:
    """Whether another explanation asks for the same repair, or for the same and more contacts."""
    if where(other) == where(explanation):
        return True
    wiring = {idea.kind for e in (other, explanation) for idea in e.ideas} <= WIRING
    one = len(other.ideas) == len(explanation.ideas) == 1 and other.designs == explanation.designs
    return wiring and one and set(other.ideas[0].pins) > set(explanation.ideas[0].pins)


def near(slot: Slot, ranked: Sequence[Explanation]) -> tuple[Explanation, ...]:
    """Return the explanations at odds that matter and those like them, the best first."""
    close = [e for e in ranked if e.score >= ranked[0].score - log(ALONE)]
    found = {(e.ideas, e.designs): e for e in close}
    for explanation in close[:MAX_TIED]:
        ties = (_twins, _pads, _both_open)
        for twin in (twin for tie in ties for twin in tie(slot, explanation)):
            found.setdefault((twin.ideas, twin.designs), twin)
    return tuple(sorted(found.values(), key=lambda e: -e.score))


def _twins(slot: Slot, explanation: Explanation) -> Iterator[Explanation]:
    """Hypotheses whose predictions for these tables are those of the explanation's own."""
    candidates, book = slot.candidates, slot.candidates.book
    count = len(book.hypotheses)
    if len(explanation.places) != 1 or not 0 < (best := explanation.places[0]) < count:
        return
    own = [book.place[seen.key] for seen in slot.judged if seen.design not in explanation.designs]
    rows = np.array(own, dtype=np.int64)
    same = np.flatnonzero(book.known[rows].all(axis=0))
    for array in (book.fails, book.signature, book.floated):
        mine = array[np.ix_(rows, same)]
        same = same[(mine == array[rows, best][:, None]).all(axis=(0, 2))]
    for place in same.tolist():
        if place not in (0, best):
            less = float(candidates.priors[place] - candidates.priors[best])
            ideas = (candidates.ideas[place],)
            score = explanation.score + less
            yield replace(explanation, ideas=ideas, score=score, places=(place,))


def _both_open(slot: Slot, explanation: Explanation) -> Iterator[Explanation]:
    """Two open pins in place of an input exchanged with an output: neither gets anywhere."""
    drives, tests = _ways(slot)
    bits = slot.candidates.book.bits
    for at, idea in enumerate(explanation.ideas):
        masks = [1 << bits[pin] for pin in idea.pins]
        ways = {(bool(drives & mask), bool(tests & mask)) for mask in masks}
        if idea.kind is CauseKind.EXCHANGED and ways == {(True, False), (False, True)}:
            opens = tuple(Idea(CauseKind.OPEN, (pin,)) for pin in idea.pins)
            ideas = (*explanation.ideas[:at], *opens, *explanation.ideas[at + 1 :])
            less = 2 * log(CauseKind.OPEN.prior) - log(CauseKind.EXCHANGED.prior)
            yield replace(explanation, ideas=ideas, score=explanation.score + less)


def _ways(slot: Slot) -> tuple[int, int]:
    """Pins that any table drives, and that any tests."""
    book = slot.candidates.book
    drives, tests = (reduce(or_, masks.tolist(), 0) for masks in (book.drives, book.tests))
    return drives, tests


def _pads(slot: Slot, explanation: Explanation) -> Iterator[Explanation]:
    """A dead pad in place of an open or held line; but what holds a two-way line is no pad."""
    book = slot.candidates.book
    drives, tests = _ways(slot)
    for at, idea in enumerate(explanation.ideas):
        if idea.kind not in _PADS or len(idea.pins) != 1:
            continue
        both = drives & tests & 1 << book.bits[idea.pins[0]]
        if idea.kind is CauseKind.STUCK and both:
            continue
        pad = Idea(CauseKind.DEAD_PAD, idea.pins, idea.detail)
        ideas = (*explanation.ideas[:at], pad, *explanation.ideas[at + 1 :])
        less = log(CauseKind.DEAD_PAD.prior / idea.kind.prior)
        yield replace(explanation, ideas=ideas, score=explanation.score + less)

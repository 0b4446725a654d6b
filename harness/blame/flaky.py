"""Flaky contacts, told apart by where each attempt first went wrong.

One rule: a contact that opens shows first in a cycle in which the open pin would be wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log

import numpy as np

from harness.blame.book import Key, Words
from harness.blame.likelihood import Index
from harness.blame.seen import Answer, Seen, Try
from harness.blame.slot import Explanation, Slot
from harness.records import CauseKind

MAX_PINS = 12
"""Pins whose cycles are worked out for one slot."""
MAX_TABLES = 5
"""Tables, the shortest first, whose cycles are worked out for each."""
MAX_CYCLES = 20_000
CLOSE = 14.0
"""Nats behind the best beyond which first wrong cycles would not decide."""
_SHARPEST = 10.0
"""Odds that one attempt adds at most."""
_ELSEWHERE = 0.1
"""What an attempt leaves of the odds where it first goes wrong in a cycle not predicted."""


def sharpened(slot: Slot, ranked: Sequence[Explanation]) -> tuple[Explanation, ...]:
    """Weigh explanations by a flaky contact again, by first wrong cycles; the best first."""
    pins: dict[int, float] = {}
    found = []
    for explanation in ranked:
        score = explanation.score
        for place in _flaky(slot, explanation):
            if score < ranked[0].score - CLOSE:
                break
            if place not in pins and len(pins) < MAX_PINS:
                pins[place] = _evidence(slot, place, explanation.designs)
            score += pins.get(place, 0.0)
        found.append(replace(explanation, score=score))
    return tuple(sorted(found, key=lambda e: -e.score))


def _flaky(slot: Slot, explanation: Explanation) -> list[int]:
    """The open pins that predict for the flaky contacts of an explanation."""
    candidates = slot.candidates
    places = np.array(
        [p for p in explanation.places if candidates.ideas[p].kind is CauseKind.FLAKY_CONTACT],
        dtype=np.int64,
    )
    opens: list[int] = candidates.computed(places).tolist()
    return opens


def _evidence(slot: Slot, place: int, designs: frozenset[str]) -> float:
    unstable = [
        seen
        for seen in slot.judged
        if seen.answer is Answer.UNSTABLE and seen.design not in designs
    ]
    unstable.sort(key=lambda seen: _length(slot, seen.key))
    return sum(_of_table(slot, seen, place) for seen in unstable[:MAX_TABLES])


def _of_table(slot: Slot, seen: Seen, place: int) -> float:
    book = slot.candidates.book
    if not book.known[book.place[seen.key], place] or _length(slot, seen.key) > MAX_CYCLES:
        return 0.0
    wrong, of = book.predictions.wrong_cycles_of(seen.key, place), max(_length(slot, seen.key), 1)
    first = (each for each in seen.tries if each.first_cycle >= 0)
    return sum(log(_odds(wrong.cycles, wrong.pins, of, each)) for each in first)


def _odds(cycles: Index, pins: Words, of: int, each: Try) -> float:
    """How much more likely a first wrong cycle is than by a defect that may strike anywhere.

    ``cycles`` are those, ``of`` so many, in which the table is wrong with the pin open, and
    ``pins`` what is wrong there.
    """
    at = int(np.searchsorted(cycles, each.first_cycle))
    predicted = at < len(cycles) and cycles[at] == each.first_cycle
    if predicted and not each.first_wrong & ~int(pins[at]):
        return min(_SHARPEST, max(1.0, of / len(cycles)))
    return _ELSEWHERE


def _length(slot: Slot, key: Key) -> int:
    return slot.candidates.book.predictions.cycles[key]

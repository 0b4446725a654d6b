"""Chips of a run that answer alike: pure counting, no likelihood."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.blame.book import Key
from harness.blame.seen import Answer, Seen, seen_of
from harness.grouping import grouped
from harness.records import Outcome


@dataclass(frozen=True)
class Group:
    """Slots that give the same wrong answer to one table, of so many that were tested."""

    key: Key
    slots: frozenset[str]
    tested: int
    steady: bool

    @property
    def most(self) -> bool:
        """Whether these are most of the tested chips."""
        return len(self.slots) >= majority(self.tested)


def majority(tested: int) -> int:
    """Return how many chips are most of those tested; one alone is never."""
    return max(2, tested // 2 + 1)


def groups(seen: Iterable[Seen]) -> Iterator[Group]:
    """Group the slots of each table that answer alike; unstable answers are alike in that."""
    tables = grouped((each.key, each) for each in seen if each.answer is not Answer.NONE)
    for key, tested in tables.items():
        alike: Mapping[object, set[str]] = defaultdict(set)
        for each in tested:
            if each.answer is Answer.FAILED:
                alike[each.alike].add(each.slot)
            elif each.answer is Answer.UNSTABLE:
                alike[Answer.UNSTABLE].add(each.slot)
        for how, slots in alike.items():
            if len(slots) > 1:
                yield Group(key, frozenset(slots), len(tested), how is not Answer.UNSTABLE)


def alike(outcomes: Sequence[Outcome]) -> Iterator[Group]:
    """Group the slots of finished outcomes that answer alike, by the pins that these name."""
    named = (
        pin
        for outcome in outcomes
        for pin in (
            *(count.pin for count in outcome.pin_counts),
            *(pin for attempt in outcome.attempts for pin in attempt.first_wrong),
        )
    )
    bits = {pin: place for place, pin in enumerate(dict.fromkeys(named))}
    return groups(seen_of(outcome, bits) for outcome in outcomes)

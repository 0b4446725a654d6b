"""Who is responsible for each table of a run that did not pass, decided in one order. Pure.

The order: what rehearsal failed is the table's; one board fault on most slots is the profile's;
an answer that most chips give is the design's; the rest is asked slot by slot.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field

from harness.blame.book import Book, Key, book_of
from harness.blame.finding import Finding, finding_of
from harness.blame.groups import Group, groups, majority
from harness.blame.moves import Move
from harness.blame.seen import Answer, Seen
from harness.blame.slot import Candidates, Idea, Slot
from harness.grouping import grouped
from harness.records import CauseKind, Reason
from harness.rehearse import Predictions

MAX_PROFILE_SLOTS = 4
"""Slots with one board fault from which on it is the profile's, however many there are."""
Place = tuple[str, Key]
"""A slot, and a table in it."""
Moved = Callable[[str, Collection[Key]], Move | None]
"""Says of the failing tables of a slot whether an earlier run had them elsewhere."""


@dataclass
class Rulings:
    """What was decided: a reason for each bad table, and who is responsible for them."""

    book: Book
    seen: Mapping[Place, Seen]
    moved: Moved
    reasons: dict[Place, Reason] = field(default_factory=dict)
    tables: list[Key] = field(default_factory=list)
    profile: Idea | None = None
    alike: list[Group] = field(default_factory=list)
    margins: list[Group] = field(default_factory=list)
    findings: dict[str, Finding] = field(default_factory=dict)

    @property
    def lengths(self) -> Mapping[Key, int]:
        """Cycles of each table."""
        return self.book.predictions.cycles

    def left(self) -> list[Seen]:
        """What nothing was decided about yet."""
        return [seen for place, seen in self.seen.items() if place not in self.reasons]


def rule(
    seen: Iterable[Seen],
    predictions: Predictions,
    rehearsed: Mapping[Key, bool],
    moved: Moved,
) -> Rulings:
    """Decide about everything seen on a run; ``rehearsed``: whether a table passed there."""
    placed = {(each.slot, each.key): each for each in seen}
    rulings = Rulings(book_of(predictions, (key for _, key in placed)), placed, moved)
    _rule_rehearsed(rulings, rehearsed)
    candidates = Candidates(rulings.book)
    rulings.findings = _findings(candidates, rulings.left(), moved)
    _rule_profile(rulings, candidates)
    _rule_alike(rulings, rehearsed, candidates)
    _rule_margins(rulings)
    _rule_slots(rulings)
    return rulings


def _findings(candidates: Candidates, seen: Iterable[Seen], moved: Moved) -> dict[str, Finding]:
    by_slot = grouped((each.slot, each) for each in seen)
    found = {}
    for slot, own in by_slot.items():
        move = moved(slot, [each.key for each in own if each.bad])
        found[slot] = finding_of(Slot(candidates, tuple(own)), move)
    return {slot: finding for slot, finding in found.items() if finding.ranked}


def _rule_rehearsed(rulings: Rulings, rehearsed: Mapping[Key, bool]) -> None:
    wrong = {key for key, passed in rehearsed.items() if not passed}
    for place, seen in rulings.seen.items():
        if seen.key in wrong and seen.bad:
            rulings.reasons[place] = Reason.TABLE_FAILS_REHEARSAL
            if seen.key not in rulings.tables:
                rulings.tables.append(seen.key)


def _rule_profile(rulings: Rulings, candidates: Candidates) -> None:
    """Find one board fault that explains two designs or more on most slots."""
    tested = {seen.slot for seen in rulings.seen.values() if seen.answer is not Answer.NONE}
    count: Counter[Idea] = Counter()
    for finding in rulings.findings.values():
        ideas = {e.ideas[0] for e in finding.near if len(e.ideas) == 1}
        if len(finding.slot.dirty) > 1:
            count.update(ideas)
    needed = min(majority(len(tested)), MAX_PROFILE_SLOTS)
    common = [idea for idea, slots in count.most_common() if slots >= max(2, needed)]
    unlike = CauseKind.BOARD_UNKNOWN, CauseKind.ONE_LEVEL_PAD
    common = [idea for idea in common if idea.kind not in unlike]
    if not common:
        return
    rulings.profile = max(common, key=lambda idea: (count[idea], _weight(rulings, idea)))
    place = candidates.ideas.index(rulings.profile)
    if place < len(rulings.book.hypotheses):
        rulings.findings = _findings(Candidates(rulings.book, place), rulings.left(), rulings.moved)
    for slot, finding in list(rulings.findings.items()):
        mine = [e for e in finding.near if rulings.profile in e.ideas]
        if not mine:
            continue
        for seen in finding.slot.judged:
            if seen.bad and seen.design not in mine[0].designs:
                rulings.reasons[slot, seen.key] = Reason.PROFILE_SUSPECTED


def _weight(rulings: Rulings, idea: Idea) -> float:
    scores = (
        e.score - finding.best.score
        for finding in rulings.findings.values()
        for e in finding.near
        if e.ideas == (idea,)
    )
    return sum(scores)


def _rule_alike(rulings: Rulings, rehearsed: Mapping[Key, bool], candidates: Candidates) -> None:
    """Take out what most chips answer alike, and ask the slots concerned again without it."""
    found = [group for group in groups(rulings.left()) if group.most]
    found += _scattered(rulings, {group.key for group in found})
    rulings.alike = found
    if not found:
        return
    for group in found:
        reason = Reason.DESIGN_ALIKE if rehearsed.get(group.key) else Reason.TABLE_ALIKE
        for slot in group.slots:
            rulings.reasons[slot, group.key] = reason
    again = {slot for group in found for slot in group.slots} & set(rulings.findings)
    for slot in again:
        del rulings.findings[slot]
    left = [seen for seen in rulings.left() if seen.slot in again]
    rulings.findings |= _findings(candidates, left, rulings.moved)


def _scattered(rulings: Rulings, known: set[Key]) -> list[Group]:
    """Tables that most chips fail, each in its own way, with nothing else wrong in these slots."""
    tested: Counter[Key] = Counter()
    slots: dict[Key, set[str]] = defaultdict(set)
    for seen in rulings.left():
        tested[seen.key] += seen.answer is not Answer.NONE
        finding = rulings.findings.get(seen.slot)
        if seen.bad and finding is not None and set(finding.slot.dirty) == {seen.design}:
            slots[seen.key].add(seen.slot)
    found = (Group(key, frozenset(own), tested[key], steady=False) for key, own in slots.items())
    return [group for group in found if group.most and group.key not in known]


_OF_CHIP = {Reason.CHIP_DEFECT, Reason.FOLLOWS_CHIP}


def _rule_margins(rulings: Rulings) -> None:
    """Several chips, fewer than most, that answer one table alike, and no board explains it."""
    for group in groups(rulings.left()):
        blamed = [
            slot
            for slot in group.slots
            if (finding := rulings.findings.get(slot))
            and finding.reason(rulings.seen[slot, group.key], elsewhere=True) in _OF_CHIP
        ]
        if group.steady and len(blamed) > 1:
            rulings.margins.append(Group(group.key, frozenset(blamed), group.tested, group.steady))
            for slot in blamed:
                rulings.reasons[slot, group.key] = Reason.DESIGN_MARGIN


def _rule_slots(rulings: Rulings) -> None:
    passes: dict[Key, set[str]] = defaultdict(set)
    for seen in rulings.seen.values():
        if seen.answer is Answer.PASSED and not seen.floating:
            passes[seen.key].add(seen.slot)
    for slot, finding in rulings.findings.items():
        for seen in finding.slot.judged:
            place = slot, seen.key
            if seen.bad and place not in rulings.reasons:
                elsewhere = bool(passes[seen.key] - {slot})
                rulings.reasons[place] = finding.reason(seen, elsewhere=elsewhere)
    for place, seen in rulings.seen.items():
        if seen.bad and place not in rulings.reasons:  # no prediction knows this table
            rulings.reasons[place] = _unpredicted(seen)


def _unpredicted(seen: Seen) -> Reason:
    if seen.floating and not seen.wrong & ~seen.floating:
        return Reason.PINS_OPEN
    return Reason.WIRING_NOT_PROVEN if seen.answer is Answer.FAILED else Reason.NOT_SETTLED

"""What one slot comes to: the explanations at odds that matter, and what they say of each table."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import exp, log

import numpy as np

from harness.blame.flaky import sharpened
from harness.blame.moves import Move
from harness.blame.seen import Answer, Seen
from harness.blame.slot import Explanation, Slot, explain
from harness.blame.ties import ALONE, WIRING, covers, near, where
from harness.records import CauseKind, Origin, Reason

_CONTACT = {
    CauseKind.OPEN,
    CauseKind.OPEN_NEIGHBOURS,
    CauseKind.FLAKY_CONTACT,
    CauseKind.DEAD_PAD,
    CauseKind.ONE_LEVEL_PAD,
}
_MATCHED = 0.5
"""Share of stable failures that must match by signature before a board is named alone."""

MIN_UNSTEADY = 2
"""Designs that must be unstable before a contact is named alone, if nothing fails steadily."""
MAX_DEFECTS = 2
"""Designs of one chip that are taken to be defective each on its own."""


@dataclass(frozen=True, eq=False)
class Finding:
    """A slot with its ranked explanations; empty where nothing asks for one."""

    slot: Slot
    ranked: tuple[Explanation, ...]
    move: Move | None = None

    @cached_property
    def near(self) -> tuple[Explanation, ...]:
        """Those at odds that matter, with their ties, less what an earlier run contradicts."""
        found = near(self.slot, self.ranked) if self.ranked else ()
        if self.move is None:
            return found
        left = [e for e in (*found, *self.ranked) if not self.contradicted(e)]
        if not left:
            return found
        best = max(e.score for e in left)
        kept = dict.fromkeys(e for e in left if e in found or e.score >= best - log(ALONE))
        return tuple(sorted(kept, key=lambda e: -e.score))

    def contradicted(self, explanation: Explanation) -> bool:
        """Whether it puts down to one party what has gone with the other."""
        if self.move is None:
            return False
        kinds = {idea.kind for idea in explanation.ideas}
        if CauseKind.OTHER_SHUTTLE in kinds:  # it goes with the chip, which is good
            return False
        pads = any(kind.party is Origin.CHIP for kind in kinds)
        own = {table.partition("/")[0] in explanation.designs for table in self.move.tables}
        return (pads or True in own) if self.move.stayed else not (pads or own == {True})

    @property
    def best(self) -> Explanation:
        """The most probable one."""
        return self.near[0]

    @cached_property
    def rivals(self) -> tuple[Explanation, ...]:
        """The best of each place that is at odds that matter, and the next one after them."""
        found: dict[object, Explanation] = {}
        for explanation in (*self.near, *self.ranked):
            gone = explanation not in self.near and self.contradicted(explanation)
            if gone or where(explanation) in found:
                continue
            found[where(explanation)] = explanation
            if explanation not in self.near:
                break
        return tuple(found.values())

    @cached_property
    def alone(self) -> bool:
        """Whether one place is left, and something better known than a board at fault."""
        if any(not covers(explanation, self.best) for explanation in self.near):
            return False
        best = self.best
        kinds = {idea.kind for idea in best.ideas}
        if CauseKind.BOARD_UNKNOWN in kinds or not best.borne or self._together:
            return False
        if self._unsteady and len(self.slot.dirty) < MIN_UNSTEADY:
            return False  # a contact of one design's pins, or a net of that design
        if self._unsteady and not (kinds and kinds <= _CONTACT):
            return False  # what is always there fails steadily; a contact may come and go
        if kinds and not all(self._apart(best, s) for s in self._of(best.designs)):
            return False
        return not kinds or kinds <= _CONTACT or best.matched >= _MATCHED

    @property
    def odds(self) -> float:
        """How much more probable the best is than the next place."""
        if len(self.rivals) < 2:
            return 1e6
        return exp(min(self.best.score - self.rivals[1].score, 13.8))

    @property
    def parties(self) -> set[Origin]:
        """Whom the explanations at odds that matter put it down to."""
        kinds = {idea.kind for explanation in self.near for idea in explanation.ideas}
        designs = any(explanation.designs for explanation in self.near)
        return {kind.party for kind in kinds} | ({Origin.CHIP} if designs else set())

    def matches(self, explanation: Explanation, seen: Seen) -> bool:
        """Whether a stable failure has the signature that an explanation predicts."""
        candidates = self.slot.candidates
        places = candidates.computed(np.array(explanation.places, dtype=np.int64))
        row = candidates.book.place[seen.key]
        return bool((candidates.book.signature[row, places] == seen.tries[0].signature).any())

    def reason(self, seen: Seen, *, elsewhere: bool) -> Reason:
        """Say why a bad table is as it is; ``elsewhere``: it passes on another chip."""
        if self.move is not None and "/".join(seen.key) in self.move.tables:
            return self._moved(seen, self.move)
        if seen.answer is Answer.PASSED:
            return self._board() if self.alone and self.best.ideas else Reason.NOT_SETTLED
        if self._one_level and seen.answer is Answer.FAILED:
            return Reason.CHIP_DEFECT if elsewhere else Reason.CHIP_OR_DESIGN
        blamed = {seen.design in explanation.designs for explanation in self.near}
        if blamed == {True}:
            return self._own(seen, elsewhere=elsewhere)
        if seen.answer is Answer.FAILED and self._unproven(seen):
            return Reason.WIRING_NOT_PROVEN
        return self._board() if self.alone and blamed == {False} else Reason.NOT_SETTLED

    @cached_property
    def _one_level(self) -> bool:
        """Whether pads of the chip are all that is left, or its pads and its designs."""
        kinds = [{idea.kind for idea in explanation.ideas} for explanation in self.near]
        return {CauseKind.ONE_LEVEL_PAD} in kinds and all(
            not kind - {CauseKind.ONE_LEVEL_PAD} for kind in kinds
        )

    def _moved(self, seen: Seen, move: Move) -> Reason:
        """Say whose a failure is that an exchange of chip or board has settled."""
        if move.stayed:
            return self._board() if self.alone and self.best.ideas else Reason.STAYS_WITH_BOARD
        if self.alone and self._board() is Reason.WRONG_CHIP:
            return Reason.WRONG_CHIP
        return Reason.FOLLOWS_CHIP if seen.answer is Answer.FAILED else Reason.UNSTABLE_HERE

    def _own(self, seen: Seen, *, elsewhere: bool) -> Reason:
        """Say whose a failure is that everything at odds that matter puts down to the design."""
        if self._together or not all(self._apart(explanation, seen) for explanation in self.near):
            return Reason.NOT_SETTLED
        if seen.answer is Answer.UNSTABLE:
            return Reason.UNSTABLE_HERE
        return Reason.CHIP_DEFECT if elsewhere else Reason.CHIP_OR_DESIGN

    def _unproven(self, seen: Seen) -> bool:
        """Whether no other design ran that could clear the wiring, and none of it is recognised."""
        boards = [e for e in self.near if seen.design not in e.designs]
        return self.slot.known <= {seen.design} and all(e.matched < _MATCHED for e in boards)

    def _apart(self, explanation: Explanation, seen: Seen) -> bool:
        """Whether a defect beside a fault of the board shows in a table that this leaves alone."""
        book = self.slot.candidates.book
        if not explanation.ideas:
            return True
        place = explanation.places[0]
        if len(explanation.ideas) > 1 or explanation.matched < _MATCHED:
            return False
        if place >= len(book.hypotheses):
            return False
        row = book.place[seen.key]
        return bool(book.known[row, place]) and not bool(book.fails[row, place].any())

    def _of(self, designs: frozenset[str]) -> list[Seen]:
        """The bad tables of these designs."""
        return [seen for seen in self.slot.judged if seen.bad and seen.design in designs]

    @cached_property
    def _together(self) -> bool:
        """Whether defects of several designs look like one fault that no hypothesis describes.

        They do if they are many, show at one same pin, or begin in the same cycle and last as long.
        """
        designs = self.best.designs
        own = [self._of(frozenset((design,))) for design in designs]
        pins = [{s.wrong for s in bad if s.wrong.bit_count() == 1} for bad in own]
        lasts = [{(t.first_cycle, s.cycles) for s in bad for t in s.tries[:1]} for bad in own]
        alike = any(set.intersection(*marks) for marks in (pins, lasts)) if own[1:] else False
        return alike or len(designs) > MAX_DEFECTS

    @property
    def _unsteady(self) -> bool:
        """Whether nothing in this slot failed steadily."""
        return not any(seen.answer is Answer.FAILED for seen in self.slot.judged)

    def _board(self) -> Reason:
        kinds = {idea.kind for idea in self.best.ideas}
        if kinds <= WIRING | {CauseKind.ONE_LEVEL_PAD}:
            return Reason.WIRING_OPEN
        if kinds == {CauseKind.FLAKY_CONTACT}:
            return Reason.CONTACT_SUSPECTED
        if kinds == {CauseKind.OTHER_SHUTTLE}:
            return Reason.WRONG_CHIP
        return Reason.BOARD_SUSPECTED


def finding_of(slot: Slot, move: Move | None = None) -> Finding:
    """Explain a slot; ``move``: its failures were seen before, elsewhere or on another chip."""
    return Finding(slot, sharpened(slot, explain(slot)), move)

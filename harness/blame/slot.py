"""One slot: every explanation of all that its tables answered, with its log-probability.

An explanation is one hypothesis of the board, or none, and besides it the designs whose failures
are put down to defects of their own; or two hypotheses at once, where one leaves much over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.blame import likelihood as lk
from harness.blame.book import Book
from harness.blame.likelihood import ODDS, Floats, Index
from harness.blame.seen import Answer, Seen
from harness.grouping import grouped
from harness.records import CauseKind

SHOWN = 24
"""Maximum number of explanations that are kept of a slot."""
SECOND = np.log(20.0)
"""Nats by which a second fault must explain more than the first alone."""
_PAIRED = 40
"""Hypotheses that are tried in pairs."""


@dataclass(frozen=True)
class Idea:
    """A hypothesis as a cause: what is wrong, at which pins; ``silent``: no design answers."""

    kind: CauseKind
    pins: tuple[str, ...] = ()
    detail: str = ""
    silent: bool = False


_CONTACTS = (CauseKind.OPEN, CauseKind.NO_CLOCK)
NOTHING = Idea(CauseKind.GOOD)


@dataclass(frozen=True)
class Explanation:
    """One way in which everything on a slot came about.

    ``ideas``: what is wrong with board or wiring, empty if nothing. ``designs``: those with a
    defect of their own. ``score``: natural logarithm of the probability, up to a constant.
    ``matched``: share of the stable failures whose signature was predicted. ``places`` are the
    numbers of the ideas among the candidates. ``borne``: each idea has a signature of its own.
    """

    ideas: tuple[Idea, ...]
    designs: frozenset[str]
    score: float
    matched: float = 1.0
    places: tuple[int, ...] = ()
    borne: bool = True


@dataclass(frozen=True, eq=False)
class Candidates:
    """Every hypothesis that a slot is asked about: computed, flaky contacts, pads, unknown faults.

    ``common`` is a hypothesis that other slots have made likely, or 0.
    """

    book: Book
    common: int = 0

    @cached_property
    def opens(self) -> Index:
        """Hypotheses of one open pin, from which those of its flaky contact are made."""
        hyps = self.book.hypotheses
        return np.array([k for k, h in enumerate(hyps) if h.kind in _CONTACTS], dtype=np.int64)

    @cached_property
    def held(self) -> NDArray[np.int64]:
        """Hypotheses of a line held, from which those of a pad that drives one level are made.

        ``(2, pads)``: the line held at the level that the pad drives, and at the other.
        """
        hyps, book = self.book.hypotheses, self.book
        tests = int(np.bitwise_or.reduce(book.tests, initial=0))
        levels: dict[int, dict[str, int]] = {}
        for place, hypothesis in enumerate(hyps):
            pin = int(book.touched[place])
            if hypothesis.kind is CauseKind.STUCK and pin & tests:
                levels.setdefault(pin, {})[hypothesis.detail] = place
        both = [tuple(found.values()) for found in levels.values() if len(found) == 2]
        pairs = [pair for one in both for pair in (one, one[::-1])]
        return np.array(pairs, dtype=np.int64).reshape(-1, 2).T

    @cached_property
    def about(self) -> NDArray[np.uint32]:
        """The pins of each unknown fault: one pin each, then all."""
        count = len(self.book.bits)
        return np.array([*(1 << k for k in range(count)), (1 << count) - 1], dtype=np.uint32)

    @cached_property
    def ideas(self) -> tuple[Idea, ...]:
        """All candidates in order."""
        hyps, pins = self.book.hypotheses, self.book.predictions.pins
        return (
            *(
                Idea(h.kind, tuple(h.pins), h.detail, bool(silent))
                for h, silent in zip(hyps, self.book.silent, strict=True)
            ),
            *(Idea(CauseKind.FLAKY_CONTACT, tuple(hyps[k].pins)) for k in self.opens),
            *(
                Idea(CauseKind.ONE_LEVEL_PAD, tuple(hyps[k].pins), hyps[k].detail)
                for k in self.held[1]
            ),
            *(Idea(CauseKind.BOARD_UNKNOWN, (pin,)) for pin in pins),
            Idea(CauseKind.BOARD_UNKNOWN),
        )

    def computed(self, places: Index) -> Index:
        """The hypotheses that predict for these candidates: a flaky contact is open at times.

        A pad that never drives one level may read as if its line were held at the other.
        Nothing predicts for an unknown fault: it counts as none.
        """
        count = len(self.book.hypotheses)
        places_of = np.arange(count), self.opens, self.held[0], np.zeros_like(self.about)
        found = np.concatenate(places_of)
        chosen: Index = found.astype(np.int64)[places]
        return chosen

    @cached_property
    def priors(self) -> Floats:
        """Their log-priors."""
        pins = len(self.book.bits)
        unknown = CauseKind.BOARD_UNKNOWN.prior
        found = [h.prior for h in self.book.hypotheses]
        found += [CauseKind.FLAKY_CONTACT.prior] * len(self.opens)
        found += [CauseKind.ONE_LEVEL_PAD.prior] * self.held.shape[1]
        found += [unknown / pins] * pins + [unknown]
        if self.common:
            found[self.common] = 1.0
        logs: Floats = np.log(np.array(found))
        return logs

    @cached_property
    def clean(self) -> Floats:
        """Log-probability that each table passes, ``(tables, candidates)``."""
        book = self.book
        parts = (
            lk.passes(book),
            lk.flaky_passes(book, self.opens),
            lk.one_level_passes(book, self.held[0]),
            lk.unknown_passes(book, self.about),
        )
        passed: Floats = np.concatenate(parts, axis=1)
        return passed

    def answered(self, seen: Seen, alive: Index) -> Floats:
        """Log-probability of one table's answer under each of the living candidates."""
        book = self.book
        sizes = len(book.hypotheses), len(self.opens), self.held.shape[1]
        starts = np.cumsum((0, *sizes))
        family = np.searchsorted(starts, alive, side="right") - 1
        ways: tuple[Callable[[Index], Floats], ...] = (
            lambda places: lk.answered(book, seen, places),
            lambda places: lk.flaky(book, seen, self.opens[places]),
            lambda places: lk.one_level(book, seen, *self.held[:, places]),
            lambda places: lk.unknown(book, seen, self.about[places]),
        )
        found: Floats = self.clean[book.place[seen.key], alive]
        if seen.answer is Answer.PASSED:
            if seen.floating:
                found[family == 0] += lk.floats(book, seen, alive[family == 0])
                found[family == 2] = ways[2](alive[family == 2] - starts[2])
            return found
        for number, way in enumerate(ways):
            found[family == number] = way(alive[family == number] - starts[number])
        return found


@dataclass(frozen=True, eq=False)
class Slot:
    """The tables of one slot, split by design into those that passed and those that did not."""

    candidates: Candidates
    seen: tuple[Seen, ...]

    @cached_property
    def judged(self) -> tuple[Seen, ...]:
        """What answered and is predicted."""
        place = self.candidates.book.place
        return tuple(s for s in self.seen if s.answer is not Answer.NONE and s.key in place)

    @cached_property
    def dirty(self) -> Mapping[str, list[Seen]]:
        """The tables of each design of which one is bad."""
        bad = {s.design for s in self.judged if s.bad}
        return grouped((seen.design, seen) for seen in self.judged if seen.design in bad)

    @cached_property
    def stable(self) -> tuple[tuple[str, ...], Index, NDArray[np.uint32]]:
        """The steady failures: designs, places of the tables in the book, signatures."""
        place = self.candidates.book.place
        found = [seen for seen in self.judged if seen.answer is Answer.FAILED]
        rows = np.array([place[seen.key] for seen in found], dtype=np.int64)
        signatures = np.array([seen.tries[0].signature for seen in found], dtype=np.uint32)
        return tuple(seen.design for seen in found), rows, signatures

    @cached_property
    def known(self) -> frozenset[str]:
        """Designs that ran and whose answers can be predicted."""
        book = self.candidates.book
        return frozenset(s.design for s in self.judged if book.known[book.place[s.key], 0])

    @cached_property
    def base(self) -> Floats:
        """Prior and passing designs, for every candidate."""
        place = self.candidates.book.place
        rows = [place[s.key] for s in self.judged if s.design not in self.dirty]
        passed: Floats = self.candidates.clean[rows].sum(axis=0)
        return self.candidates.priors + passed


def explain(slot: Slot) -> tuple[Explanation, ...]:
    """Rank the explanations of a slot, the best first; empty where nothing is bad."""
    if not slot.dirty:
        return ()
    alive, own, defects = _scored(slot)
    base = slot.base[alive]
    total = base + np.maximum(own, defects[:, None]).sum(axis=0)
    order = np.argsort(-total, kind="stable")
    names = list(slot.dirty)
    found = []
    for k in order[:SHOWN].tolist():
        designs = frozenset(names[d] for d in np.flatnonzero(own[:, k] < defects))
        found.append(_made(slot, (int(alive[k]),), designs, float(total[k])))
    singles = {(e.places[0], e.designs): e.score for e in found}
    found += [
        pair
        for pair in _pairs(slot, alive, own, defects, base)
        if pair.score > max(singles.get((k, pair.designs), -np.inf) for k in pair.places) + SECOND
    ]
    found.sort(key=lambda e: -e.score)
    return tuple(found[:SHOWN])


def _scored(slot: Slot) -> tuple[Index, Floats, Floats]:
    """Candidates that are left, ``(designs, candidates)`` of their own, and of a defect."""
    base = slot.base
    defects = np.array([_defect(tables) for tables in slot.dirty.values()])
    alive = np.flatnonzero((base >= base[0] + defects.sum() - np.log(1e4)) & _likely(slot))
    rows = [
        sum((slot.candidates.answered(seen, alive) for seen in tables), np.zeros(len(alive)))
        for tables in slot.dirty.values()
    ]
    return alive, np.array(rows), defects


def _likely(slot: Slot) -> NDArray[np.bool_]:
    """Where some hypothesis predicts half of the steady answers, ask those that predict any.

    Those whose answer depends on the power-up state, and all that are not computed, stay.
    """
    book = slot.candidates.book
    steady = [seen for seen in slot.judged if seen.answer is Answer.FAILED]
    likely = np.ones(len(slot.candidates.ideas), dtype=np.bool_)
    rows = np.array([book.place[seen.key] for seen in steady], dtype=np.int64)
    seen = np.array([each.tries[0].signature for each in steady], dtype=np.uint32)
    same = (book.signature[rows] == seen[:, None, None]).any(axis=2).sum(axis=0)
    if len(steady) > 1 and same.max() * 2 >= len(steady):
        keep = (same > 0) | book.varies[rows].any(axis=0) | ~book.known[rows].all(axis=0)
        likely[1 : len(keep)] = keep[1:]
    return likely


def _defect(tables: Iterable[Seen]) -> float:
    """Log-probability that a design with a defect of its own answered so; its prior included."""
    found = ODDS.defect
    for seen in tables:
        found *= ODDS.defect_fail if seen.bad else ODDS.defect_pass
        found *= ODDS.defect_floats if seen.floating else 1
    return float(np.log(found))


def _made(
    slot: Slot, chosen: tuple[int, ...], designs: frozenset[str], score: float
) -> Explanation:
    ideas = tuple(slot.candidates.ideas[k] for k in chosen)
    ideas = tuple(idea for idea in ideas if idea.kind is not CauseKind.GOOD)
    same, varies = _same(slot, chosen, designs)
    borne = len(chosen) < 2 or bool((same & (same.sum(axis=0) == 1)).any(axis=1).all())
    weight = np.where(varies.any(axis=0), 0.25, 1.0).sum()
    matched = min(1.0, float(same.any(axis=0).sum() / weight)) if weight else 1.0
    return Explanation(ideas, designs, score, matched, chosen, borne)


def _same(
    slot: Slot, chosen: Sequence[int], designs: frozenset[str]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each idea predicts the signature of each stable failure, not of these designs.

    The second array says where the power-up state changes the answer: that asks for less.
    """
    candidates, book = slot.candidates, slot.candidates.book
    names, rows, seen = slot.stable
    if designs:
        others = np.array([name not in designs for name in names], dtype=np.bool_)
        rows, seen = rows[others], seen[others]
    places = candidates.computed(np.array(chosen))
    at = np.ix_(rows, places)
    same = (book.signature[at] == seen[:, None, None]).any(axis=2)
    return same.T, book.varies[at].T


def _joint(slot: Slot, seen: Seen, chosen: Index) -> Floats:
    """As ``likelihood.joint``, of any candidates."""
    candidates = slot.candidates
    if seen.answer is Answer.PASSED:
        passed = candidates.answered(seen, chosen)
        both: Floats = passed[:, None] + passed[None, :]
        return both
    found = lk.joint(candidates.book, seen, candidates.computed(chosen))
    if seen.answer is Answer.FAILED:  # steady: nothing that comes and goes is part of it
        flaky = chosen >= len(candidates.book.hypotheses)
        found[flaky[:, None] | flaky[None, :]] = np.log(ODDS.never)
    return found


def _pairs(
    slot: Slot, alive: Index, own: Floats, defects: Floats, base: Floats
) -> list[Explanation]:
    """Two faults of the board at once, if no single one explains all designs."""
    if len(slot.dirty) < 2:
        return []
    known = alive < len(slot.candidates.ideas) - len(slot.candidates.about)
    gain = np.where(known & (alive > 0), own + base[None, :], -np.inf)
    best = np.unique(np.argsort(-gain, axis=1)[:, :6])
    best = best[np.isfinite(gain[0, best])]
    best = best[np.argsort(-gain[:, best].max(axis=0))][:_PAIRED]
    mine = own[:, best]
    both = np.maximum(mine[:, :, None], mine[:, None, :])
    for design, tables in enumerate(slot.dirty.values()):
        joint = [_joint(slot, seen, alive[best]) for seen in tables]
        both[design] = np.maximum(both[design], np.sum(joint, axis=0))
    total = np.maximum(both, defects[:, None, None]).sum(axis=0)
    total += base[best][:, None] + base[best][None, :] - base[0]
    first, second = np.triu_indices(len(best), 1)
    order = np.argsort(-total[first, second], kind="stable")[:SHOWN]
    found = []
    for a, b in zip(first[order].tolist(), second[order].tolist(), strict=True):
        names = list(slot.dirty)
        designs = frozenset(names[k] for k in np.flatnonzero(both[:, a, b] < defects))
        chosen = (int(alive[best[a]]), int(alive[best[b]]))
        found.append(_made(slot, chosen, designs, float(total[a, b])))
    return found

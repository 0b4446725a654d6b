"""Rows that detect what a table does not: at random as long as that helps, then fault by fault.

The one rule: each group of rows says what it gains, by the same detection that grades tables, and
ends with the last row that detects anything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random

import numpy as np

from harness.grade.attempt import DRIVE, ENABLE, Bench, drawn
from harness.grade.faults import FaultList, Faults, Flags
from harness.grade.formula import Answer
from harness.grade.missed import Namer
from harness.grade.search import Choice, Search, depth_of, unsearchable
from harness.netlist import Rows

CANDIDATES = 12
"""Sequences that are drawn before the best one is taken."""

LENGTHS = (16, 48)
"""Rows of a sequence; the longer ones are drawn when the shorter ones gain nothing more."""


@dataclass(frozen=True)
class ProposedGroup:
    """Rows ``first`` up to but not ``last`` of all that are proposed, and what they are for.

    ``gained`` faults were not detected before. ``fault`` is empty for rows drawn at random.
    """

    first: int
    last: int
    gained: int
    fault: str = ""


@dataclass(frozen=True, eq=False)
class Proposal:
    """Rows to append, in groups, and the faults that are left by why: numbers of faults.

    ``no_test``: none within ``depth`` rows after those that were there when it was sought;
    ``open``: given up; ``untried``: the limit of rows was reached, or ``why`` says why not.
    """

    rows: Rows
    groups: tuple[ProposedGroup, ...]
    no_test: int = 0
    open: int = 0
    untried: int = 0
    depth: int = 0
    why: str = ""


def propose(
    bench: Bench, left: Flags, seed: int, limit: int, tell: Callable[[str], None], why: str = ""
) -> Proposal:
    """Propose rows to append to those of a bench, about ``limit`` at most.

    ``left``: the faults to detect. ``why`` is why nothing but random rows is tried, or empty.
    """
    weights = np.bincount(bench.faults.alike, minlength=len(left))
    chosen = bench.faults.classes[left[bench.faults.classes]]
    work = _Work(bench, Namer(bench.faults), chosen, weights, limit)
    work.draw(Random(seed))
    tell(f"{len(work.rows):,} random rows; now fault by fault")
    why = why or unsearchable(bench)
    if not why:
        work.search()
    left_over = dict.fromkeys(Answer, 0)
    for index in work.left.tolist():
        left_over[work.outcomes.get(index, Answer.YES)] += int(weights[index])
    return Proposal(
        work.rows,
        tuple(work.groups),
        left_over[Answer.NO],
        left_over[Answer.OPEN],
        left_over[Answer.YES],
        depth_of(bench.netlist),
        why,
    )


class _Work:
    """Rows that grow, and classes of faults that are left."""

    def __init__(
        self, bench: Bench, namer: Namer, left: Faults, weights: Faults, limit: int
    ) -> None:
        self._bench, self._namer, self._weights, self._limit = bench, namer, weights, limit
        self.left = left
        self.rows: Rows = np.zeros((0, 8), dtype=np.int64)
        self.groups: list[ProposedGroup] = []
        self.outcomes: dict[int, Answer] = {}

    def draw(self, chance: Random) -> None:
        """Add the best of some random sequences, again and again."""
        single = not self._bench.netlist.flop_count
        for length in LENGTHS:
            while len(self.left) and len(self.rows) < self._limit:
                bench = self._now()
                tried = [drawn(bench, chance, length) for _ in range(CANDIDATES)]
                kept = [self._useful(bench, rows, single=single) for rows in tried]
                best, caught = max(kept, key=lambda one: (self._gain(one[1]), -len(one[0])))
                if not caught.any():
                    break
                self._add(best, caught, "")

    def search(self) -> None:
        """Add rows for one fault after the other."""
        search: Search | None = None
        for index in self.left.tolist():
            if len(self.rows) >= self._limit:
                return
            place = np.flatnonzero(self.left == index)
            if not len(place):
                continue
            bench = self._now()
            if search is None:
                search, places = Search(bench), {f: k for k, f in enumerate(self.left.tolist())}
            answer, choices = search.rows_for(places[index])
            self.outcomes[index] = answer
            if answer is not Answer.YES:
                continue
            rows, caught = self._useful(bench, chosen_rows(bench, choices), single=False)
            if not caught[place[0]]:
                self.outcomes[index] = Answer.NO
                continue
            self._add(rows, caught, self._namer.name(self._bench.faults.faults[index]))
            search = None

    def _now(self) -> Bench:
        """The bench with the rows so far, and the faults that are left."""
        faults = self._bench.faults
        some = tuple(faults.faults[index] for index in self.left.tolist())
        return replace(
            self._bench.after(self.rows),
            faults=FaultList(faults.netlist, some, np.arange(len(some))),
        )

    def _useful(self, bench: Bench, rows: Rows, *, single: bool) -> tuple[Rows, Flags]:
        """Rows up to the last that first detects a fault (``single``: only those), and what is."""
        done = bench.detected(rows)
        needed = np.unique(done.row[done.found])
        if not len(needed):
            return rows[:0], done.found
        return (rows[needed] if single else rows[: needed[-1] + 1]), done.found

    def _gain(self, caught: Flags) -> int:
        return int(self._weights[self.left[caught]].sum())

    def _add(self, rows: Rows, caught: Flags, fault: str) -> None:
        first = len(self.rows)
        self.rows = np.concatenate((self.rows, rows))
        self.groups.append(ProposedGroup(first, len(self.rows), self._gain(caught), fault))
        self.left = self.left[~caught]


def chosen_rows(bench: Bench, choices: Sequence[Choice]) -> Rows:
    """Rows that drive what was chosen; what does not matter stays as it was."""
    reach = bench.reach
    last = bench.before[-1] if len(bench.before) else None
    level = int(last[DRIVE] & last[ENABLE]) if last is not None else 0
    levels, driven = [], []
    for choice in choices:
        level = level & ~reach.resets | reach.resets & ~reach.active
        for bit, high in choice.levels.items():
            level = level & ~(1 << bit) | high << bit
        levels.append(level)
        driven.append(sum(1 << bit for bit, on in choice.enables.items() if on))
    return bench.rows(levels, driven)


def labels(proposal: Proposal) -> Iterator[tuple[int, str]]:
    """What to write at the first row of each group."""
    for group in proposal.groups:
        yield group.first, f"for {group.fault}" if group.fault else "random"

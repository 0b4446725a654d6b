"""Finds where passing ends on a scale of whole numbers: pure, with few tries.

One rule: every result was tried. It names a number that passed and the adjacent number that
failed. Numbers go from hard (few ticks, a fast clock) to easy; the search assumes that everything
easier than a passing number passes too. If that does not hold, the result is still an edge from
passing to failing, but there may be others.

A shmoo's border is traced, its grid is not filled: every row is a search of its own, so a border
that jumps is found too. One that moves little from row to row just takes fewer tries.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Scale:
    """The numbers to search, ``hardest`` to ``easiest``, both included.

    ``start`` is tried first, and ``step`` is the distance to the second try; the step doubles until
    one number has passed and another failed.
    """

    hardest: int
    easiest: int
    start: int
    step: int = 1

    def __post_init__(self) -> None:
        if not self.hardest <= self.start <= self.easiest or self.step < 1:
            raise ValueError("a scale goes from hardest to easiest, and its start is on it")


@dataclass(frozen=True)
class Edge:
    """The hardest number that passed, and the adjacent one that failed.

    ``passing`` is None if even the easiest failed, ``failing`` None if even the hardest passed.
    """

    passing: int | None
    failing: int | None


def find_edge(scale: Scale, passes: Callable[[int], bool]) -> Edge:
    """Find the edge; ``passes`` is called at most once for each number, and may raise."""
    passing, failing = _bracket(scale, passes)
    if passing is None or failing is None:
        return Edge(passing, failing)
    while passing - failing > 1:
        middle = (passing + failing) // 2
        if passes(middle):
            passing = middle
        else:
            failing = middle
    return Edge(passing, failing)


def _bracket(scale: Scale, passes: Callable[[int], bool]) -> tuple[int | None, int | None]:
    """Go from the start in growing steps until one number passes and a harder one fails."""
    at, step = scale.start, scale.step
    if passes(at):
        while at > scale.hardest:
            further = max(scale.hardest, at - step)
            if not passes(further):
                return at, further
            at, step = further, step * 2
        return at, None
    while at < scale.easiest:
        further = min(scale.easiest, at + step)
        if passes(further):
            return further, at
        at, step = further, step * 2
    return None, at


def trace(
    rows: Sequence[int], columns: int, passes: Callable[[int, int], bool], start: int
) -> dict[int, Edge]:
    """Find the edge of each row, in the order of ``rows``; columns go from hardest, 0, to easiest.

    ``passes`` takes a row and a column. The first row starts in column ``start``, each other row at
    the edge of the row before.
    """
    edges: dict[int, Edge] = {}
    for row in rows:
        scale = Scale(0, columns - 1, start)
        edges[row] = find_edge(scale, lambda column, row=row: passes(row, column))  # type: ignore[misc]
        near = edges[row].passing
        start = columns - 1 if near is None else near
    return edges


def from_the_middle(count: int, middle: int) -> tuple[int, ...]:
    """Order rows so that each is adjacent to an earlier one: up from the middle, then down."""
    return (*range(middle, count), *range(middle - 1, -1, -1))

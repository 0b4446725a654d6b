"""Traces the border of a shmoo instead of filling its grid: pure.

One rule: every row is a search of its own, so a border that jumps is found too; only the number
of tries profits from a border that moves little from one row to the next. Within a row it is
assumed that whatever is easier than a passing column passes too (see ``search``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.margin.search import Edge, Scale, find_edge


def trace(
    rows: Sequence[int], columns: int, passes: Callable[[int, int], bool], start: int
) -> dict[int, Edge]:
    """Find the edge of each row, in the order of ``rows``; columns go from hardest, 0, to easiest.

    ``passes`` gets a row and a column. The first row starts in column ``start``, each further one
    where the edge of the row before it was.
    """
    edges: dict[int, Edge] = {}
    for row in rows:
        scale = Scale(0, columns - 1, start)
        edges[row] = find_edge(scale, lambda column, row=row: passes(row, column))  # type: ignore[misc]
        start = _near(edges[row], columns)
    return edges


def from_the_middle(count: int, middle: int) -> tuple[int, ...]:
    """Order rows so that each is beside one that came before: up from the middle, then down."""
    return (*range(middle, count), *range(middle - 1, -1, -1))


def _near(edge: Edge, columns: int) -> int:
    """The column from which a neighbour's edge is likely the nearest."""
    if edge.passing is not None:
        return edge.passing
    return columns - 1

"""The edge between passing and failing is found exactly, with few tries."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.margin.search import Edge, Scale, find_edge, from_the_middle, trace


def most_tries(scale: Scale) -> int:
    """How many numbers a search asks for at most: two logarithms of the way."""
    way = max(scale.start - scale.hardest, scale.easiest - scale.start)
    return 2 * (way // scale.step + 2).bit_length() + scale.step.bit_length() + 1


@st.composite
def scales(draw: st.DrawFn) -> Scale:
    hardest = draw(st.integers(1, 10**6))
    easiest = draw(st.integers(hardest, hardest + 10**6))
    return Scale(hardest, easiest, draw(st.integers(hardest, easiest)), draw(st.integers(1, 5000)))


@given(scales(), st.data())
def test_the_edge_is_exact_wherever_it_is_and_wherever_the_search_starts(
    scale: Scale, data: st.DataObject
) -> None:
    limit = data.draw(st.integers(scale.hardest, scale.easiest + 1))
    asked: list[int] = []

    def passes(number: int) -> bool:
        asked.append(number)
        return number >= limit

    edge = find_edge(scale, passes)
    assert edge == Edge(
        limit if limit <= scale.easiest else None, limit - 1 if limit > scale.hardest else None
    )
    assert len(asked) == len(set(asked)), "no number is tried twice"
    assert all(scale.hardest <= number <= scale.easiest for number in asked)
    assert len(asked) <= most_tries(scale)


@given(scales(), st.randoms(use_true_random=False))
def test_where_passing_comes_and_goes_an_edge_is_found_that_was_tried(
    scale: Scale, chance: object
) -> None:
    told: dict[int, bool] = {}

    def passes(number: int) -> bool:
        told[number] = chance.random() < 0.5  # type: ignore[attr-defined]
        return told[number]

    edge = find_edge(scale, passes)
    assert edge.passing is None or told[edge.passing]
    assert edge.failing is None or not told[edge.failing]
    if edge.passing is not None and edge.failing is not None:
        assert edge.passing == edge.failing + 1


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=12),
    st.integers(0, 39),
    st.data(),
)
def test_a_shmoo_finds_the_edge_of_every_row(
    limits: list[int], start: int, data: st.DataObject
) -> None:
    middle = data.draw(st.integers(0, len(limits) - 1))
    edges = trace(
        from_the_middle(len(limits), middle), 40, lambda row, column: column >= limits[row], start
    )
    assert [edges[row] for row in range(len(limits))] == [
        Edge(limit if limit < 40 else None, limit - 1 if limit else None) for limit in limits
    ]


def test_a_border_that_moves_little_costs_a_fraction_of_the_grid() -> None:
    asked = []
    limits = [20 + row // 3 for row in range(21)]

    def passes(row: int, column: int) -> bool:
        asked.append((row, column))
        return column >= limits[row]

    trace(from_the_middle(21, 10), 60, passes, 30)
    assert len(asked) <= 3 * 21


def test_rows_go_out_from_the_middle_and_each_is_beside_an_earlier_one() -> None:
    assert from_the_middle(5, 2) == (2, 3, 4, 1, 0)


@pytest.mark.parametrize("given_", [(5, 4, 4, 1), (1, 9, 0, 1), (1, 9, 10, 1), (1, 9, 5, 0)])
def test_a_scale_that_makes_no_sense_is_refused(given_: tuple[int, int, int, int]) -> None:
    with pytest.raises(ValueError, match="scale"):
        Scale(*given_)

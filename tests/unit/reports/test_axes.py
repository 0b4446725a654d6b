"""Axes: every value is on them, in order, and round values stand beside them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness_reports.axes import axis, round_step, thinned

values = st.lists(
    st.integers(-(10**12), 10**12).map(lambda number: number / 1000), min_size=1, max_size=20
)


@given(values)
def test_every_value_has_its_place_and_order_is_kept(found: list[float]) -> None:
    made = axis(found)
    places = [made.place(value) for value in sorted(found)]
    assert all(0 <= place <= 1 for place in places)
    assert places == sorted(places)


@given(values)
def test_ticks_are_few_and_within(found: list[float]) -> None:
    made = axis(found)
    assert len(made.ticks) <= 16
    room = (made.high - made.low) * 1e-9
    assert all(made.low - room <= tick <= made.high + room for tick in made.ticks)


def test_values_far_apart_stand_on_a_logarithmic_axis() -> None:
    made = axis([1e3, 1e5])
    assert made.ticks == (1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5)
    assert made.place(1e4) == pytest.approx(0.5)
    assert axis([1.0, 1e9]).ticks == tuple(10.0**n for n in range(10))


def test_a_value_of_0_is_below_a_logarithmic_axis() -> None:
    assert axis([1e3, 1e5]).place(0.0) < 0


def test_values_close_together_stand_on_a_linear_axis() -> None:
    made = axis([10.0, 20.0])
    assert made.ticks == (10.0, 12.0, 14.0, 16.0, 18.0, 20.0)
    assert made.place(15.0) == pytest.approx(0.5)


@given(st.floats(1e-6, 1e12))
def test_a_round_step_is_1_2_or_5_times_a_power_of_ten(least: float) -> None:
    step = round_step(least)
    assert least * 0.998 <= step <= least * 2.6
    lead = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert any(lead == pytest.approx(wanted) for wanted in (1, 2, 5))


def test_labels_are_thinned_evenly() -> None:
    assert [list(thinned(7, most)) for most in (10, 3, 1)] == [
        [0, 1, 2, 3, 4, 5, 6],
        [0, 3, 6],
        [0],
    ]

"""What is on an axis is what the board does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.agent.backends import backend
from harness.agent.rp2_timing import SYNC_TICKS, layout
from harness.judge import Case
from harness.margin.axes import possible, rate_axis, sample_axis, volt_axis
from tests.unit.judge.samples import case, follow_pattern

TICK = 8


def asking(clock_hz: float, settle_us: float, *, pulsed: bool) -> Case:
    pattern = follow_pattern()
    if not pulsed:
        pattern = replace(pattern, pulse=np.zeros_like(pattern.pulse))
    one = case(pattern)
    spec = replace(one.spec, clock_hz=clock_hz, settle_us=settle_us)
    return replace(one, spec=spec, design=replace(one.design, clock_hz=clock_hz))


CASES = st.builds(
    asking,
    st.floats(1e3, 2e7),
    st.one_of(st.just(0.0), st.floats(0.01, 5.0)),
    pulsed=st.booleans(),
)


@given(CASES, st.integers(0, 3000))
def test_every_cycle_of_an_exact_axis_takes_the_ticks_that_it_is_said_to(
    one: Case, more: int
) -> None:
    axis = rate_axis(backend("rp2"), 31.25e6, (one,))
    settle = -(-round(one.conditions.settle_us * 1000) // TICK)
    words = 2 if one.pattern.pulse.any() else 1
    ticks = axis.grid.fewest + more
    assert layout(words, ticks, settle, 0).ticks == ticks
    assert axis.grid.ticks(axis.hz(ticks)) == ticks


@given(CASES, st.sampled_from([0, 8, 24]))
def test_rows_of_an_exact_shmoo_are_read_where_they_say_at_the_chip(
    one: Case, round_trip: int
) -> None:
    axis = rate_axis(backend("rp2"), 31.25e6, (one,), round_trip)
    rows = sample_axis(axis, (one,))
    settle = -(-round(one.conditions.settle_us * 1000) // TICK)
    words = 2 if one.pattern.pulse.any() else 1
    read = []
    for sample in rows:
        cycle = layout(words, axis.declared, settle, (sample + round_trip) // TICK)
        assert cycle.ticks == axis.declared
        read.append((cycle.read - SYNC_TICKS) * TICK - round_trip)
    assert tuple(read) == rows, "no two rows are one and the same point"
    for sample in rows:
        assert possible(axis, 4 * axis.declared, sample, (one,)), "a slower cycle reads there too"


def test_a_design_that_takes_long_to_settle_has_a_slower_fastest_rate() -> None:
    quick = rate_axis(backend("rp2"), 31.25e6, (asking(1e5, 0.0, pulsed=True),))
    slow = rate_axis(backend("rp2"), 31.25e6, (asking(1e5, 1.0, pulsed=True),))
    assert quick.hz(quick.grid.fewest) == pytest.approx(20.83e6, rel=1e-3)
    assert slow.hz(slow.grid.fewest) == pytest.approx(325_521, rel=1e-5)


def test_columns_go_from_the_fastest_to_the_slowest_with_the_declared_clock_among_them() -> None:
    axis = rate_axis(backend("virtual"), 1e5, (asking(50_000, 0.0, pulsed=True),))
    columns = axis.columns()
    assert columns == tuple(sorted(columns))
    assert (columns[0], columns[-1]) == (10_000, 16 * 20_000)
    assert axis.declared in columns


@given(st.floats(0.5, 4.0), st.floats(0.1, 2.0), st.floats(0.0, 1.0))
def test_voltages_stay_within_their_limits_and_have_the_nominal_one(
    low: float, width: float, share: float
) -> None:
    low, high = round(low, 3), round(low + width, 3)
    nominal = round(low + share * (high - low), 3)
    volts = volt_axis(low, high, nominal)
    assert all(low <= one <= high for one in volts)
    assert nominal in volts
    assert volts == tuple(sorted(set(volts)))

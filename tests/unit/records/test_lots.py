"""Part average testing of margins: which chips of a lot are odd though they pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from harness.records import MIN_LOT, MarginKind, MarginLot, MarginRecord, margin_lots
from harness.records.lots import NORMAL_IQR, lot_limits
from tests.unit.store.margins import margin

NIST = (
    30, 171, 184, 201, 212, 250, 265, 270, 272, 289, 305, 306, 322, 322, 336, 346, 351, 370, 390,
    404, 409, 411, 436, 437, 439, 441, 444, 448, 451, 453, 470, 480, 482, 487, 494, 495, 499, 503,
    514, 521, 522, 527, 548, 550, 559, 560, 570, 572, 574, 578, 585, 592, 592, 607, 616, 618, 621,
    629, 637, 638, 640, 656, 668, 707, 709, 719, 737, 739, 752, 758, 766, 792, 792, 794, 802, 818,
    830, 832, 843, 858, 860, 869, 918, 925, 953, 991, 1000, 1005, 1068, 1441,
)  # fmt: skip
"""The 90 ordered values of the NIST/SEMATECH e-Handbook, section 7.1.6 (from memory; that their
quartiles are as published confirms them)."""

rates = st.lists(st.integers(1, 10**7).map(float), min_size=MIN_LOT, max_size=60)


def chips(limits: Sequence[float], step: float = 10.0, **changes: Any) -> list[MarginRecord]:
    return [
        replace(margin(0, hz, step), chip_serial=f"SP2-{n:04}", margin_id=f"m{n}", **changes)
        for n, hz in enumerate(limits)
    ]


def lot(limits: Sequence[float], step: float = 10.0) -> MarginLot:
    (made,) = margin_lots(chips(limits, step))
    return made


def odd(limits: Sequence[float], step: float = 10.0) -> list[float]:
    return [chip.highest_hz for chip in lot(limits, step).odd]


def test_published_quartiles_give_the_limits_of_part_average_testing() -> None:
    """Median 559.5, quartiles 429.75 and 742.25 are published with the values."""
    found = lot_limits([float(value) for value in NIST])
    assert found is not None
    assert found.median_hz == 559.5
    assert found.sigma_hz == pytest.approx((742.25 - 429.75) / 1.35)
    assert (found.low_hz, found.high_hz) == pytest.approx((559.5 - 1388.89, 559.5 + 1388.89), 1e-5)


def test_a_robust_sigma_of_normal_values_is_their_standard_deviation() -> None:
    """The source's 1.35 is the distance between a normal distribution's quartiles (SciPy)."""
    assert round(norm.ppf(0.75) - norm.ppf(0.25), 2) == NORMAL_IQR


@given(rates)
def test_limits_are_those_that_numpys_quantiles_give(values: list[float]) -> None:
    """NumPy calls the interpolation at (n + 1) p "weibull"."""
    first, middle, third = np.quantile(values, (0.25, 0.5, 0.75), method="weibull")
    found = lot_limits(values)
    if found is None:
        assert third == pytest.approx(first)
    else:
        sigma = (third - first) / 1.35
        assert (found.median_hz, found.sigma_hz) == pytest.approx((middle, sigma))
        assert found.low_hz == pytest.approx(middle - 6 * sigma)
        assert found.high_hz == pytest.approx(middle + 6 * sigma)


@given(rates, st.floats(0.1, 1e4), st.data())
def test_at_most_half_of_a_lot_is_odd_and_no_chip_between_the_quartiles(
    values: list[float], step: float, data: st.DataObject
) -> None:
    first, third = np.quantile(values, (0.25, 0.75), method="weibull")
    marked = odd(data.draw(st.permutations(values)), step)
    assert len(marked) <= len(values) / 2
    assert not any(first <= value <= third for value in marked)
    assert marked == odd(values, step)


@given(st.floats(1.0, 1e6), st.integers(1, 4), st.integers(MIN_LOT, 40))
def test_a_chip_within_four_steps_of_the_search_is_never_odd(
    base: float, away: int, count: int
) -> None:
    """6 robust sigma of one step are 6 / 1.35 = 4.4 steps."""
    step = base / 100
    spread = [base + step * (n % 2) for n in range(count)]
    assert odd([*spread, base + step * away, base + step * (1 - away)], step) == []


def test_a_chip_that_passes_far_from_the_others_is_odd_on_either_side() -> None:
    alike = [1000.0 + 10 * n for n in range(12)]
    assert odd(alike) == []
    assert odd([*alike, 500.0, 2000.0]) == [500.0, 2000.0]


def test_equal_quartiles_mark_no_chip_and_have_no_limits() -> None:
    """The rates are quantised: most chips have the same one, and nothing tells how they spread."""
    found = lot([1000.0] * 11 + [500.0])
    assert (found.limits, found.odd) == (None, ())
    assert found.chips[0].highest_hz == 500.0, "it is still the lowest of the lot"


def test_fewer_than_ten_chips_are_no_lot() -> None:
    values = [1000.0 + 10 * n for n in range(MIN_LOT - 2)]
    assert odd([*values, 100.0], 1.0) == []
    assert odd([*values, 1100.0, 100.0], 1.0) == [100.0]


def test_a_limit_that_only_the_board_sets_is_never_too_low() -> None:
    slow, *others = chips([500.0, *(1000.0 + 10 * n for n in range(12))])
    cut_off = replace(slow, edges=(replace(slow.edges[0], failing_hz=None),))
    assert [len(margin_lots([one, *others])[0].odd) for one in (slow, cut_off)] == [1, 0]


def test_a_chip_counts_once_with_its_latest_whole_search() -> None:
    one, *others = chips([1000.0 + 10 * n for n in range(12)])
    later = replace(margin(3, 700.0), chip_serial=one.chip_serial)
    broken = replace(margin(4, None), chip_serial=one.chip_serial, trouble="went away", edges=())
    (found,) = margin_lots([broken, later, one, *others])
    assert len(found.chips) == 12
    assert found.chips[0].margin_id == later.margin_id
    assert found.place(later) == 0
    assert found.place(one) is None


@pytest.mark.parametrize(
    "other",
    [{"design": "uart"}, {"tables_sha256": "cd" * 32}, {"declared_hz": 2e3}, {"virtual": False}],
)
def test_only_what_was_measured_alike_is_one_lot(other: dict[str, Any]) -> None:
    first = chips([1000.0 + 10 * n for n in range(12)])
    second = [replace(one, chip_serial=f"X{one.chip_serial}") for one in chips([5e3] * 12, **other)]
    assert sorted(len(one.chips) for one in margin_lots([*first, *second])) == [12, 12]
    assert not any(one.odd for one in margin_lots([*first, *second]))


def test_shmoos_belong_to_no_lot() -> None:
    assert margin_lots(chips([1000.0] * 12, kind=MarginKind.SUPPLY)) == ()

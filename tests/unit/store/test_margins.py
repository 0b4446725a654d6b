"""Margins are kept whole, read oldest first, and a loss is distinguished from noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from harness.records import MarginKind, margin_drop
from harness.store import Store
from harness_reports.margin_write import margins_html
from tests.unit.store.margins import margin

STEADY = [margin(night, 5000.0) for night in range(5)]


def test_what_was_kept_is_read_and_can_be_asked_for_by_chip_design_and_run(tmp_path: Path) -> None:
    first, second = margin(1, 5000.0), replace(margin(0, None), run_id="r1", design="gray")
    other = replace(margin(2, 70.5), chip_serial="SP2-0002", trouble="the board went away")
    with Store(tmp_path / "s.sqlite") as store:
        for one in (first, second, other, first):
            store.record_margin(one)
        assert store.margins() == (second, first, other)
        assert store.margins(chip="SP2-0001", design="crc16") == (first,)
        assert store.margins(run_id="r1") == (second,)
        assert store.margins(design="uart") == ()


def test_the_reports_of_a_night_get_its_margins_and_the_latest_of_the_same_chips(
    tmp_path: Path,
) -> None:
    nights = [replace(margin(night, 5000.0), run_id=f"r{night}") for night in range(70)]
    other = replace(margin(1, 70.5), margin_id="other", chip_serial="SP2-0002")
    with Store(tmp_path / "s.sqlite") as store:
        for one in (*nights, other):
            store.record_margin(one)
        assert store.margins_behind("r69") == (*nights[10:], other)
        assert store.margins_behind("r0") == (nights[0], *nights[10:], other)
        assert store.margins_behind("none") == ()


def test_the_reports_of_a_night_also_get_the_latest_margins_of_other_chips(tmp_path: Path) -> None:
    own = replace(margin(5, 5000.0), run_id="r5")
    old, new = (
        replace(margin(night, 4900.0), margin_id=f"o{night}", chip_serial="SP2-0002")
        for night in (1, 2)
    )
    uart = replace(margin(3, 4900.0), margin_id="uart", chip_serial="SP2-0003", design="uart")
    with Store(tmp_path / "s.sqlite") as store:
        for one in (own, old, new, uart):
            store.record_margin(one)
        assert store.margins_behind("r5") == (own, new)
        assert store.latest_margins(("crc16", "uart")) == (new, uart, own)
        assert store.latest_margins(()) == ()


@pytest.mark.parametrize(
    "body",
    ["'{}'", "'{\"a\":'", "7", "x'ff00'", "replace(body, 'passes\"\\:16', 'passes\"\\:17')"],
)
def test_a_damaged_margin_is_a_search_that_broke_off_and_hides_no_other(
    body: str, tmp_path: Path
) -> None:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        store.record_margin(replace(margin(1, 5000.0), run_id="r1"))
        store.record_margin(replace(margin(2, 5000.0), run_id="r1"))
        engine = create_engine(f"sqlite:///{path}")
        with engine.begin() as connection:
            connection.execute(text(f"UPDATE margins SET body = {body} WHERE margin_id = 'm001'"))
        engine.dispose()
        for found in (store.margins(), store.margins_behind("r1")):
            damaged, other = found
            assert other == replace(margin(2, 5000.0), run_id="r1")
            assert damaged.trouble.startswith(f"{path}: margin m001 is damaged (")
            assert damaged.trouble.endswith("); restore the store from a backup")
            assert (damaged.chip_serial, damaged.design) == (other.chip_serial, other.design)
            assert "m001 is damaged" in margins_html([damaged], found).decode()


def test_a_margin_is_told_in_per_cent_of_the_declared_clock() -> None:
    assert margin(0, 1250.0).percent == 25.0
    assert margin(0, 900.0).percent == pytest.approx(-10.0)
    assert margin(0, None).percent is None


def test_a_limit_within_three_deviations_of_earlier_ones_is_no_loss() -> None:
    earlier = [margin(0, 5000.0), margin(1, 5100.0), margin(2, 5050.0)]
    assert margin_drop(earlier, margin(3, 4830.0)) is None
    drop = margin_drop(earlier, margin(3, 4820.0))
    assert drop is not None
    assert (drop.usual_hz, drop.now_hz) == (5050.0, 4820.0)
    assert drop.noise_hz == pytest.approx(3 * 1.4826 * 50)


def test_a_loss_stays_a_loss_on_the_nights_after_it() -> None:
    lost = [margin(night, 4000.0) for night in range(5, 12)]
    assert margin_drop([*STEADY, *lost], margin(12, 4000.0)) is not None
    assert margin_drop([*STEADY, *lost], margin(12, 3500.0)) is not None


def test_one_outlier_hides_no_loss() -> None:
    assert margin_drop([*STEADY, margin(6, 9000.0)], margin(9, 4900.0)) is not None


def test_a_limit_that_only_the_board_sets_is_no_loss() -> None:
    now = margin(9, 4000.0)
    open_end = replace(now, edges=(replace(now.edges[0], failing_hz=None),))
    assert margin_drop(STEADY, open_end) is None


def test_a_search_of_the_same_night_is_no_earlier_one() -> None:
    now = replace(margin(9, 4000.0), run_id="r9")
    assert margin_drop([replace(STEADY[0], run_id="r9")], now) is None


@pytest.mark.parametrize(
    ("declared", "below", "short"),
    [(1000.0, False, False), (5005.0, False, False), (5010.0, True, False), (9000.0, True, False)],
)
def test_a_chip_is_below_its_clock_only_if_it_failed_within_it(
    declared: float, below: bool, short: bool
) -> None:
    one = replace(margin(0, 5000.0), declared_hz=declared)
    assert (one.below_declared, one.short) == (below, short)


def test_a_chip_that_was_always_the_same_may_lose_one_step_but_not_two() -> None:
    assert margin_drop(STEADY, margin(9, 4990.0)) is None
    assert margin_drop(STEADY, margin(9, 4980.0)) is not None


def test_a_chip_that_passes_nowhere_any_more_lost_everything() -> None:
    drop = margin_drop(STEADY, margin(9, None))
    assert drop is not None
    assert drop.now_hz == 0.0


def test_jitter_of_tonight_counts_as_noise_too() -> None:
    unsure = replace(margin(9, 4800.0), noise_low_hz=4800.0, noise_high_hz=5050.0)
    assert margin_drop(STEADY, unsure) is None


def test_nothing_is_compared_with_what_was_measured_otherwise() -> None:
    lower = margin(9, 100.0)
    assert margin_drop([], lower) is None
    assert margin_drop([margin(0, None)], lower) is None
    for changed in (
        {"tables_sha256": "cd" * 32},
        {"exact": False},
        {"virtual": False},
        {"declared_hz": 2e3},
        {"chip_serial": "SP2-0002"},
        {"kind": MarginKind.SAMPLE},
        {"trouble": "the board went away"},
    ):
        assert margin_drop([replace(STEADY[0], **changed)], lower) is None
    assert margin_drop(STEADY, replace(lower, trouble="the board went away")) is None
    assert margin_drop([margin(10, 5000.0)], lower) is None, "a later one is no earlier one"

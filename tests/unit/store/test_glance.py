"""A run at a glance, and what a store has histories of."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from harness.errors import StoreError
from harness.records import Reason, Verdict
from harness.store import Store, of_chip, of_design, of_slot
from tests.unit.store.nights import keep_nights, night
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"b": "PF", "a": " P"})
        keep_nights(opened, {"c": "P"}, rack="shelf")
        yield opened


def test_a_glance_counts_verdicts_and_names_the_latest_outcome(store: Store) -> None:
    late = replace(failing_outcome(), design="z", started=night(1) + timedelta(hours=2))
    store.record_outcome("bench-1", late)
    waiting = replace(late, design="y", verdict=Verdict.NOT_RUN, started=night(2))
    store.record_outcome("bench-1", waiting)
    glance = store.glance("bench-1")
    (slot,) = glance.slots
    assert slot.counts == {Verdict.FAIL: 2, Verdict.PASS: 1, Verdict.NOT_RUN: 1}
    assert slot.for_chip == set(slot.counts)
    assert slot.latest is not None
    assert (slot.latest.design, slot.latest.summary) == ("z", late.summary)
    assert slot.latest.ended == late.started + timedelta(seconds=late.seconds)
    assert (slot.chip.chip_serial, glance.run.run_id) == ("PK-01", "bench-1")


def test_a_failure_of_a_wrong_table_is_counted_but_does_not_count_for_the_chip(
    store: Store,
) -> None:
    wrong = replace(failing_outcome(), design="b", reason=Reason.TABLE_ALIKE)
    store.record_outcome("bench-1", wrong)
    (slot,) = store.glance("bench-1").slots
    assert slot.counts == {Verdict.FAIL: 1, Verdict.PASS: 1}
    assert slot.for_chip == {Verdict.PASS}


@pytest.mark.parametrize("odd", ["a\x00b", "\\u0000 \x00 \ud800", "\\ud800", "\U0001f40c \x1b[31m"])
def test_a_glance_gives_any_summary_as_it_is(store: Store, odd: str) -> None:
    late = replace(failing_outcome(), summary=odd, started=night(1) + timedelta(hours=2))
    store.record_outcome("bench-1", late)
    (slot,) = store.glance("bench-1").slots
    assert slot.latest is not None
    assert slot.latest.summary == odd


def test_a_glance_does_not_mind_odd_texts_beside_the_summary(store: Store) -> None:
    late = replace(failing_outcome(), advice="\x00\ud800", started=night(1) + timedelta(hours=2))
    store.record_outcome("bench-1", late)
    (slot,) = store.glance("bench-1").slots
    assert slot.latest is not None
    assert slot.latest.summary == late.summary


def test_a_chip_whose_board_tells_a_nul_is_kept_with_its_visible_form(store: Store) -> None:
    told = replace(chip("A9"), trouble="the board reports a fault: \x00", interpreter="\x00")
    store.record_chip("bench-1", told)
    (_, kept) = store.run("bench-1").chips
    assert (kept.trouble, kept.interpreter) == ("the board reports a fault: \u2400", "\u2400")


def test_headings_and_racks_come_newest_first(store: Store) -> None:
    assert [run.run_id for run in store.headings("bench")] == ["bench-1", "bench-0"]
    assert [run.run_id for run in store.headings(most=1)] == ["bench-1"]
    assert store.racks() == ("bench", "shelf")


def test_one_slot_of_a_run_is_read_without_the_others(store: Store) -> None:
    store.record_chip("bench-1", chip("A2"))
    store.record_outcome("bench-1", replace(failing_outcome(), slot="A2"))
    found = store.chip("bench-1", "A1")
    assert found.chip == store.run("bench-1").chips[0]
    assert len(found.chip.outcomes) == 2
    assert found.chips == store.chips("bench-1")
    assert [one.slot for one in found.chips] == ["A1", "A2"]
    with pytest.raises(StoreError, match=r"run bench-1 has no slot A3$"):
        store.chip("bench-1", "A3")


def test_a_run_that_is_not_there_is_an_error(store: Store) -> None:
    for ask in (lambda: store.glance("r9"), lambda: store.chip("r9", "A1")):
        with pytest.raises(StoreError, match="no run r9 is kept here"):
            ask()


def test_subjects_are_every_chip_design_and_slot_once(store: Store, tmp_path: Path) -> None:
    assert store.subjects() == (
        of_chip("PK-01"), of_design("a"), of_design("b"), of_design("c"), of_slot("bench", "A1"),
        of_slot("shelf", "A1"),
    )  # fmt: skip
    with Store(tmp_path / "empty.sqlite") as empty:
        empty.start_run(heading())
        assert empty.subjects() == ()

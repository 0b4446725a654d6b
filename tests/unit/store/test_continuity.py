"""Continuity tests of a run's slots: kept, replaced; a damaged one hides nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text

from harness.records import PinProof, PinState, SlotPins
from harness.store import Store
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

IN3 = PinProof("in3", PinState.SUSPECTED, (), "A1")
OUT0 = PinProof("out0", PinState.PROVEN, ("gray/all",), "")
A1 = SlotPins("A1", ("gray/all",), (failing_outcome("gray"),), (IN3, OUT0))
A2 = SlotPins("A2", ("gray/all",), (), ())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as store:
        store.start_run(replace(heading(), chips=(chip(), chip("A2"))))
        store.record_continuity("r1", A2)
        store.record_continuity("r1", A1)
        yield store


def test_the_tests_come_back_in_the_racks_order_with_their_extra_outcomes(store: Store) -> None:
    assert store.run("r1").continuity == (A1, A2)
    assert store.chip("r1", "A2").continuity == (A2,)


def test_an_extra_table_is_no_outcome_of_its_chip(store: Store) -> None:
    assert [one.outcomes for one in store.run("r1").chips] == [(), ()]
    assert store.glance("r1").slots[0].counts == {}


def test_a_test_that_is_kept_again_replaces_the_one_of_its_slot(store: Store) -> None:
    again = replace(A1, pins=(OUT0,))
    store.record_continuity("r1", again)
    assert store.run("r1").continuity == (again, A2)


def test_a_damaged_test_says_so_and_hides_no_other(store: Store) -> None:
    with store._engine.begin() as raw:
        raw.execute(text("""UPDATE continuity SET body = '{"slot": 1}' WHERE slot = 'A1'"""))
    damaged, whole = store.run("r1").continuity
    (pin,) = damaged.pins
    assert (damaged.slot, pin.state) == ("A1", PinState.NOT_PROVEN)
    assert pin.pin.startswith("the record of the continuity test is damaged (")
    assert whole == A2

"""Causes of a run: kept, replaced, and overruled by a person; a damaged one hides no other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text

from harness.errors import RunUnfit
from harness.records import Candidate, Cause, CauseKind, Observation, Overruling
from harness.store import Store
from tests.unit.store.samples import NOON, chip, heading

OPEN = Candidate(CauseKind.OPEN, ("in3",), "", "", "", 1.0)
DEAD = Candidate(CauseKind.DEAD_PAD, ("in3",), "", "", "", 0.5)
CAUSE = Cause(
    key="A1",
    slots=("A1",),
    chips=("PK-01",),
    candidates=(OPEN, DEAD),
    odds=2.0,
    settled=False,
    tables=("gray/all", "crc16/all"),
    summary="A1: in3 does not reach the chip.",
    advice="Exchange the chips of A1 and A2.",
    swap="A2",
    ask=("gray/all",),
    observations=(Observation("A1", "gray/all", "answers as an open in3 would", 6.1),),
    overruled=None,
)
DECISION = Overruling(CauseKind.DEAD_PAD, "Wilma Dunlin", "seen under the microscope", NOON)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as store:
        store.start_run(replace(heading(), chips=(chip(),)))
        yield store


def test_causes_come_back_with_whatever_part_of_the_run_is_read(store: Store) -> None:
    store.record_causes("r1", (CAUSE, replace(CAUSE, key="A1.2")))
    causes = store.run("r1").causes
    assert causes == (CAUSE, replace(CAUSE, key="A1.2"))
    assert store.overview("r1").causes == store.chip("r1", "A1").causes == causes


def test_a_run_that_is_settled_again_has_the_new_causes_only(store: Store) -> None:
    store.record_causes("r1", (CAUSE, replace(CAUSE, key="A1.2")))
    store.record_causes("r1", (replace(CAUSE, odds=30.0),))
    assert store.run("r1").causes == (replace(CAUSE, odds=30.0),)


def test_a_persons_decision_stands_beside_what_the_tool_concluded(store: Store) -> None:
    store.record_causes("r1", (CAUSE,))
    store.overrule("r1", "A1", DECISION)
    assert store.run("r1").causes == (replace(CAUSE, overruled=DECISION),)


def test_a_persons_decision_stays_when_the_run_is_settled_again(store: Store) -> None:
    store.record_causes("r1", (CAUSE, replace(CAUSE, key="A2")))
    store.overrule("r1", "A1", DECISION)
    store.record_causes("r1", (replace(CAUSE, key="A2"), replace(CAUSE, odds=30.0)))
    found = replace(CAUSE, odds=30.0, overruled=DECISION)
    assert store.run("r1").causes == (replace(CAUSE, key="A2"), found)


def test_a_cause_that_is_not_there_cannot_be_overruled(store: Store) -> None:
    store.record_causes("r1", (CAUSE,))
    with pytest.raises(RunUnfit) as caught:
        store.overrule("r1", "A2", DECISION)
    assert str(caught.value) == f"{store.place}: run r1 has no cause A2; it has: A1"


@pytest.mark.parametrize("column", ["body", "overruled"])
def test_a_damaged_cause_says_so_and_hides_no_other(store: Store, column: str) -> None:
    store.record_causes("r1", (CAUSE, replace(CAUSE, key="A1.2")))
    store.overrule("r1", "A1", DECISION)
    with store._engine.begin() as raw:
        raw.execute(text(f"""UPDATE causes SET {column} = '{{"kind": 1}}' WHERE position = 0"""))
    damaged, whole = store.run("r1").causes
    assert damaged.key == "A1"
    assert f"{store.place}: run r1, cause 0 is damaged (" in damaged.summary
    assert whole == replace(CAUSE, key="A1.2")

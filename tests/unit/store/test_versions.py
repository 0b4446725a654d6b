"""A store of this version opens as it is, one of version 7 too; others are refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from harness.errors import StoreError
from harness.records import Verdict
from harness.store import SCHEMA_VERSION, Store, of_design, of_slot
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

SCHEMA = "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name"


def kept_store(path: Path, version: int = 7) -> Path:
    """A store as it was written out when this version of the schema was made."""
    statements = Path(__file__).with_name(f"version{version}.sql")
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript(statements.read_text(encoding="utf-8"))
    return path


def test_a_kept_store_is_read_and_takes_more(tmp_path: Path) -> None:
    with Store(kept_store(tmp_path / "s.sqlite")) as store:
        (one,) = store.run("old").chips
        (line,) = store.history(of_design("gray")).lines
        (night,) = store.history(of_slot("bench", "A1")).runs
        store.record_outcome("old", failing_outcome())
        store.accept("old", NOON)
        baseline = store.baseline(replace(store.run("old"), run_id="tonight"))
    assert one == replace(
        chip(), outcomes=(replace(failing_outcome("gray"), started=one.outcomes[0].started),)
    )
    assert (line.standing.verdict, line.standing.first_seen) == (Verdict.FAIL, NOON)
    assert dict(night.counts) == {Verdict.FAIL: 1}
    assert baseline is not None
    assert len(baseline.verdicts) == 2


def test_a_new_store_has_the_columns_of_the_kept_one(tmp_path: Path) -> None:
    kept, new = kept_store(tmp_path / "kept.sqlite"), tmp_path / "new.sqlite"
    for path in (kept, new):
        Store(path).close()
    with closing(sqlite3.connect(kept)) as one, closing(sqlite3.connect(new)) as other:
        assert other.execute(SCHEMA).fetchall() == one.execute(SCHEMA).fetchall()


@pytest.mark.parametrize("version", [1, SCHEMA_VERSION + 1, 0, -3, 99])
def test_a_store_of_another_version_is_refused_and_left_alone(version: int, tmp_path: Path) -> None:
    path = kept_store(tmp_path / "s.sqlite")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE harness_schema SET version = ?", (version,))
        raw.commit()
    assert_refused(path, version)


def test_a_store_of_an_older_schema_is_refused_and_left_alone(tmp_path: Path) -> None:
    assert_refused(kept_store(tmp_path / "s.sqlite", 6), 6)


def test_summaries_that_count_a_designs_failure_against_a_chip_are_made_again(
    tmp_path: Path,
) -> None:
    path = kept_store(tmp_path / "s.sqlite")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE outcomes SET counts = 0 WHERE design = 'gray'")
        raw.commit()
    for _ in range(2):  # the second time it is of this version
        with Store.existing(path) as store:
            (run,) = store.history(of_slot("bench", "A1")).runs
            assert (dict(run.counts), run.left_out) == ({}, 1)
    with Store(path) as store:
        store.start_run(heading("new", NOON + timedelta(days=9)))
        (run,) = store.history(of_slot("bench", "A1")).runs
        assert (dict(run.counts), run.left_out) == ({}, 1)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT summarised FROM runs WHERE run_id = 'old'").fetchone() == (1,)


def assert_refused(path: Path, version: int) -> None:
    with closing(sqlite3.connect(path)) as raw:
        before = list(raw.iterdump())
    for open_it in (Store, Store.existing):
        with pytest.raises(StoreError) as caught:
            open_it(path)
        assert str(caught.value) == (
            f"{path}: the store has schema version {version}, this tool needs {SCHEMA_VERSION}; "
            "use the tool's version that wrote it, or choose another store"
        )
    with closing(sqlite3.connect(path)) as raw:
        assert list(raw.iterdump()) == before

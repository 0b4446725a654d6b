"""A store of an earlier version is brought up to date, and is then like a new one."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, create_engine, text

from harness.errors import StoreError
from harness.records import RunKind, Verdict
from harness.store import Store, of_design, of_slot
from harness.store.models import Base
from tests.unit.store.samples import NOON, chip
from tests.unit.store.test_store import failing_outcome
from tests.unit.store.version1 import make_version1


def old_store(path: Path) -> Path:
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        make_version1(connection)
    engine.dispose()
    return path


def differences(url: str) -> list[object]:
    """What the database lacks to be as the models are, Alembic's own table aside."""
    engine = create_engine(url)
    with engine.connect() as connection:
        found = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    engine.dispose()
    return [change for change in found if "alembic_version" not in str(change)]


def test_a_store_of_version_one_keeps_its_runs_and_takes_new_ones(tmp_path: Path) -> None:
    path = old_store(tmp_path / "s.sqlite")
    with Store(path) as store:
        (kept,) = store.run("old").chips
        store.record_outcome("old", failing_outcome())
        store.accept("old", NOON)
        baseline = store.baseline(replace(store.run("old"), run_id="tonight"))
    assert kept == chip()
    assert baseline is not None
    assert len(baseline.verdicts) == 1


KEPT = """
INSERT INTO outcomes (run_id, slot, chip_serial, design, table_name, table_sha256, verdict, origin,
  mismatches, started, seconds, body)
VALUES ('old', 'A1', 'PK-01', '{}', 'all', '', '{}', '', 0, '2026-05-01 12:00:00', 1.0, '{{}}')
"""


def keep_old_outcomes(connection: Connection) -> None:
    """Put outcomes of two designs into a store of version 1."""
    for design, verdict in (("gray", "PASS"), ("crc16", "NOT RUN")):
        connection.execute(text(KEPT.format(design, verdict)))
    connection.commit()


def test_the_history_of_old_runs_is_there_and_summarised(tmp_path: Path) -> None:
    path = old_store(tmp_path / "s.sqlite")
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        keep_old_outcomes(connection)
    with Store(path) as store:
        check_old_history(store)
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM runs WHERE NOT summarised")) == 0
        assert connection.scalar(text("SELECT count(*) FROM nights")) == 4
    engine.dispose()


def check_old_history(store: Store) -> None:
    (one,) = store.history(of_design("gray")).lines
    assert (one.chip_serial, one.verdict, one.first_seen.year) == ("PK-01", Verdict.PASS, 2026)
    (night,) = store.history(of_slot("bench", "A1")).nights
    assert night.kind is RunKind.RUN, "nothing in an old store tells intakes apart"
    assert [run.kind for run in store.headings()] == [RunKind.RUN]
    assert dict(night.counts) == {Verdict.PASS: 1, Verdict.NOT_RUN: 1}
    assert {of_design("crc16"), of_design("gray")} < set(store.subjects())


def test_a_migrated_store_is_like_a_new_one(tmp_path: Path) -> None:
    old, new = old_store(tmp_path / "old.sqlite"), tmp_path / "new.sqlite"
    assert differences(f"sqlite:///{old}") != []
    for path in (old, new):
        Store(path).close()
        assert differences(f"sqlite:///{path}") == []


def test_programs_that_migrate_one_store_at_the_same_time_all_get_it(tmp_path: Path) -> None:
    path, failures = old_store(tmp_path / "s.sqlite"), []

    def open_it() -> None:
        try:
            Store(path).close()
        except StoreError as error:
            failures.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert differences(f"sqlite:///{path}") == []


def test_a_step_that_fails_leaves_the_old_store_as_it_was(tmp_path: Path) -> None:
    path = old_store(tmp_path / "s.sqlite")
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        connection.execute(text("CREATE INDEX outcomes_of_slot ON runs (rack)"))
        connection.commit()
        with pytest.raises(StoreError, match="outcomes_of_slot already exists"):
            Store(path)
        connection.execute(text("DROP INDEX outcomes_of_slot"))
        connection.commit()
        assert connection.scalar(text("SELECT version FROM harness_schema")) == 1
    engine.dispose()
    Store(path).close()
    assert differences(f"sqlite:///{path}") == []

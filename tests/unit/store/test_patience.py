"""A database that is away for a while: waited for if the caller gets news, else an error."""

from __future__ import annotations

import sqlite3
import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import event

from harness.errors import StoreError
from harness.store import Store
from harness.store import engine as store_engine
from tests.unit.store.locking import locked, locked_for
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

pytestmark = pytest.mark.slow


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with a run under way; SQLite itself waits for a moment only."""
    monkeypatch.setattr(store_engine, "BUSY_SECONDS", 0.05)
    where = tmp_path / "s.sqlite"
    with Store(where) as store:
        store.start_run(heading())
        store.record_chip("r1", chip())
    return where


def test_a_locked_store_is_waited_for_and_told_of_twice(path: Path) -> None:
    told: list[str] = []
    with Store(path, patience=60) as store:
        with store.waiting(told.append, lambda: False), locked_for(path, 0.6):
            store.record_outcome("r1", failing_outcome())
        assert len(store.run("r1").chips[0].outcomes) == 1
    gone, back = told
    assert gone == (
        f"{path}: results cannot be kept at the moment (database is locked); waiting up to 60 s "
        "for it, nothing measured is lost"
    )
    assert back.startswith(f"{path}: results are kept again after ")


def test_every_verb_waits(path: Path) -> None:
    told: list[str] = []
    with Store(path, patience=60) as store, store.waiting(told.append, lambda: False):
        with locked_for(path, 0.3):
            store.record_chip("r1", chip("A2"))
        with locked_for(path, 0.3):
            store.finish_run("r1", NOON, cancelled=False)
        with locked_for(path, 0.3):
            store.resume_run("r1")
            assert store.run("r1").finished is None
    assert len(told) == 6


def test_patience_ends_and_then_the_others_do_not_wait_again(path: Path) -> None:
    told: list[str] = []
    with (
        Store(path, patience=0.4) as store,
        store.waiting(told.append, lambda: False),
        locked(path),
    ):
        with pytest.raises(StoreError, match=r"database is locked.*close that program"):
            store.record_outcome("r1", failing_outcome())
        before = time.monotonic()
        with pytest.raises(StoreError, match="database is locked"):
            store.record_outcome("r1", failing_outcome())
        assert time.monotonic() - before < 0.4
    assert len(told) == 1


def test_who_does_not_want_to_wait_any_more_need_not(path: Path) -> None:
    told: list[str] = []
    enough = threading.Event()
    threading.Timer(0.5, enough.set).start()
    with Store(path) as store, locked(path), store.waiting(told.append, enough.is_set):
        before = time.monotonic()
        with pytest.raises(StoreError) as first:
            store.record_outcome("r1", failing_outcome())
        with pytest.raises(StoreError):
            store.finish_run("r1", NOON, cancelled=False)
        assert time.monotonic() - before < 3
    assert str(first.value) == (
        f"{path}: database is locked; the run was stopped, so the wait for the store ended"
    )
    assert len(told) == 1


def test_nothing_is_waited_for_while_nobody_is_told(path: Path) -> None:
    with Store(path, patience=60) as store, locked(path):
        before = time.monotonic()
        with pytest.raises(StoreError, match="database is locked"):
            store.record_outcome("r1", failing_outcome())
        assert time.monotonic() - before < 5


def test_a_full_disk_is_said_at_once(path: Path) -> None:
    """SQLite's own limit of pages stands in for the disk: it gives the same SQLITE_FULL."""

    def limit(connection: sqlite3.Connection, record: object) -> None:
        connection.execute("PRAGMA max_page_count=1")

    told: list[str] = []
    with Store(path, patience=60) as store, store.waiting(told.append, lambda: False):
        store._engine.dispose()
        event.listen(store._engine, "connect", limit)
        many = [failing_outcome(f"d{k}") for k in range(50)]
        with pytest.raises(StoreError, match="disk is full"):
            store.record_outcomes("r1", many)
    assert told == []

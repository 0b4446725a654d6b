"""Outcomes of many threads in one commit: durable for each, and none fails for another's rows."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import event

from harness.errors import StoreError
from harness.store import Store
from harness.store.inserts import Row
from harness.store.together import Together
from tests.unit.store.locking import locked
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

SLOTS = [f"A{k}" for k in range(12)]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    where = tmp_path / "s.sqlite"
    with Store(where) as store:
        store.start_run(heading())
        for slot in SLOTS:
            store.record_chip("r1", chip(slot))
    return where


def record_at_once(store: Store, path: Path, work: Callable[[str], None]) -> int:
    """Have a thread per slot record while the store is locked; returns the number of commits."""
    commits: list[object] = []
    threads = [threading.Thread(target=work, args=(slot,)) for slot in SLOTS]
    with locked(path):
        for thread in threads:
            thread.start()
        while len(store._together._waiting) < len(SLOTS) - 1:
            pass
        event.listen(store._engine, "commit", commits.append)
    for thread in threads:
        thread.join()
    return len(commits)


def test_those_who_wait_share_a_commit_and_each_finds_its_own_when_it_returns(path: Path) -> None:
    found: list[str] = []

    def work(slot: str) -> None:
        store.record_outcome("r1", replace(failing_outcome(), slot=slot))
        with Store.existing(path) as other:
            (mine,) = (c for c in other.run("r1").chips if c.slot == slot)
        found.extend(outcome.slot for outcome in mine.outcomes)

    with Store(path) as store:
        commits = record_at_once(store, path, work)
    assert sorted(found) == sorted(SLOTS)
    assert commits == 2


def test_rows_that_cannot_be_kept_are_nobody_elses_trouble(path: Path) -> None:
    refused: dict[str, str] = {}

    def work(slot: str) -> None:
        own = "nowhere" if slot in SLOTS[::4] else slot
        try:
            store.record_outcome("r1", replace(failing_outcome(), slot=own))
        except StoreError as error:
            refused[slot] = str(error)

    with Store(path) as store:
        record_at_once(store, path, work)
        kept = [c.slot for c in store.run("r1").chips if c.outcomes]
    assert sorted(refused) == sorted(SLOTS[::4])
    assert sorted([*kept, *refused]) == sorted(SLOTS)
    assert all("FOREIGN KEY" in error for error in refused.values())


def test_nobody_waits_for_ever_for_a_leader_that_was_interrupted() -> None:
    """One caller's rows fail the group's commit; the leader is interrupted after that."""
    begun, go = threading.Event(), threading.Event()

    def commit(rows: Sequence[Row]) -> None:
        if not begun.is_set():
            begun.set()
            go.wait(10)
        elif len(rows) > 1:
            raise StoreError("somebody's rows")
        else:
            raise KeyboardInterrupt

    together = Together(threading.Lock(), commit)
    ended: list[str] = []

    def keep() -> None:
        try:
            together.keep([{}])
        except (StoreError, KeyboardInterrupt) as error:
            ended.append(type(error).__name__)

    first = threading.Thread(target=keep)
    first.start()
    begun.wait(10)
    others = [threading.Thread(target=keep, daemon=True) for _ in range(3)]
    for thread in others:
        thread.start()
    while len(together._waiting) < len(others):
        time.sleep(0.01)
    go.set()
    for thread in (first, *others):
        thread.join(10)
    assert sorted(ended) == ["KeyboardInterrupt", "StoreError", "StoreError"]

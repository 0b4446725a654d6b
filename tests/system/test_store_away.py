"""A store that fails a run in the middle: away for a while, or full. Nothing measured is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Connection, event

from harness.cli import ExitCode
from harness.errors import StoreError
from harness.jobs.night import night
from harness.jobs.run import run
from harness.judge import Baseline
from harness.rack import Event, RackNews, TableJudged, load_rack
from harness.records import RunHeading, Verdict
from harness.store import Store
from harness.store import engine as store_engine
from harness_reports import Scrubber
from tests.system.postgres import Server, lacking, server
from tests.system.test_nightly import STUCK, small_rack
from tests.unit.store.locking import locked

TABLES = ["crc16/check", "bcd7seg/function", "crc16/stream"]


class Watcher:
    """Keeps the events of a run, and does something when the first table is judged."""

    def __init__(self, first: Callable[[], None]) -> None:
        self.news: list[str] = []
        self.judged: list[str] = []
        self._first = first

    def __call__(self, event: Event) -> None:
        if isinstance(event, RackNews):
            self.news.append(event.text)
        if isinstance(event, TableJudged):
            self.judged.append(f"{event.outcome.design}/{event.outcome.table}")
            if len(self.judged) == 1:
                self._first()


def check_whole(store: Store, watcher: Watcher) -> None:
    """Every table was measured once, is kept, and both pieces of news were reported."""
    assert watcher.judged == TABLES
    (chip,) = store.latest_run().chips
    assert {outcome.verdict for outcome in chip.outcomes} == {Verdict.PASS}
    gone, back = watcher.news
    assert "results cannot be kept at the moment" in gone
    assert "waiting up to 120 s for it, nothing measured is lost" in gone
    assert "results are kept again after" in back


@pytest.mark.skipif(bool(lacking()), reason=lacking() or "it can be started")
def test_a_run_survives_a_server_that_is_stopped_and_started_again(tmp_path: Path) -> None:
    rack = load_rack(small_rack(tmp_path))
    with server() as postgresql, Store(postgresql.url) as store:
        restart = threading.Timer(1.0, postgresql.start)

        def stop() -> None:
            postgresql.stop()
            restart.start()

        watcher = Watcher(stop)
        run(rack, store, observe=watcher)
        restart.join()
        check_whole(store, watcher)


class LeavingStore(Store):
    """A store whose server stops before it is asked for the baseline, and is back in a second."""

    def __init__(self, server_: Server) -> None:
        self._server = server_
        super().__init__(server_.url)

    def baseline(self, of: RunHeading) -> Baseline | None:
        self._server.stop()
        restart = threading.Timer(1.0, self._server.start)
        restart.start()
        try:
            return super().baseline(of)
        finally:
            restart.join()


@pytest.mark.skipif(bool(lacking()), reason=lacking() or "it can be started")
def test_a_night_waits_for_its_baseline_too(tmp_path: Path) -> None:
    rack = load_rack(small_rack(tmp_path))
    watcher = Watcher(lambda: None)
    with server() as postgresql, LeavingStore(postgresql) as store:
        before = run(rack, store)
        store.accept(before.run_id, datetime.now(UTC))
        tonight = night(rack, store, tmp_path / "out", observe=watcher)
    assert tonight.changes.baseline == before.run_id
    assert len(watcher.news) == 2


class Holder:
    """Another program that locks the store, and lets it go after a while."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._begun, self._done = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._hold)

    def start(self) -> None:
        self._thread.start()
        self._begun.wait()

    def let_go_soon(self) -> None:
        self.start()
        threading.Timer(1.0, self._done.set).start()

    def _hold(self) -> None:
        with locked(self._path):
            self._begun.set()
            self._done.wait(30)


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite itself waits for a moment only."""
    monkeypatch.setattr(store_engine, "BUSY_SECONDS", 0.1)


def test_a_night_survives_another_program_that_locks_the_store(tmp_path: Path, hasty: None) -> None:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        watcher = Watcher(Holder(path).let_go_soon)
        tonight = night(load_rack(small_rack(tmp_path)), store, tmp_path / "out", observe=watcher)
        check_whole(store, watcher)
    log = (tonight.folder / "night.log").read_text()
    assert all(f"  {Scrubber().text(news)}\n" in log for news in watcher.news)


def test_control_c_does_not_wait_for_a_store_that_is_away(tmp_path: Path) -> None:
    path, rack = tmp_path / "s.sqlite", small_rack(tmp_path)
    Store(path).close()
    command = [
        *(sys.executable, "-u", "-m", "harness", "run", str(rack)),
        *("--store", str(path), "--out", str(tmp_path / "out")),
    ]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    ) as process:
        assert process.stdout is not None
        said = ""
        with ExitStack() as held:
            for line in process.stdout:
                said += line
                if "PASS" in line:
                    held.enter_context(locked(path))
                if "results cannot be kept at the moment" in line:
                    break
            pressed = time.monotonic()
            os.killpg(process.pid, signal.SIGINT)
            said += process.stdout.read()
            assert process.wait(60) == ExitCode.NOT_TESTED
            assert time.monotonic() - pressed < 10
    with Store(path) as store:
        record = store.latest_run()
    told = "the run was stopped, so the wait for the store ended; results already reported are "
    assert f"{told}kept, and --resume {record.run_id} finishes this run" in said
    assert "Traceback" not in said
    (chip,) = record.chips
    kept = [o for o in chip.outcomes if o.verdict is not Verdict.NOT_RUN]
    assert len(kept) == said.count("PASS") > 0


@contextmanager
def no_more_room(store: Store) -> Iterator[Callable[[], None]]:
    """Something to call when the file shall not grow any more: SQLite's own limit of pages."""

    def limit(connection: Connection) -> None:
        connection.exec_driver_sql("PRAGMA max_page_count=1")

    def fill() -> None:
        event.listen(store._engine, "begin", limit)

    yield fill


def test_a_run_whose_disk_fills_up_ends_at_once_and_is_finished_when_there_is_room(
    tmp_path: Path,
) -> None:
    path, rack = tmp_path / "s.sqlite", load_rack(small_rack(tmp_path, STUCK))
    with Store(path) as store, no_more_room(store) as fill:
        first = Watcher(fill)
        with pytest.raises(StoreError, match=r"s\.sqlite: .*disk is full\); free some space"):
            run(rack, store, observe=first)
    assert first.news == []
    assert first.judged[0] == TABLES[0]
    second = Watcher(lambda: None)
    with Store(path) as store:
        before = store.latest_run()
        assert before.finished is None
        told = [f"{o.design}/{o.table}" for chip in before.chips for o in chip.outcomes
                if o.verdict is not Verdict.NOT_RUN]  # fmt: skip
        assert sorted(told) == sorted(first.judged), "what was reported is kept"
        whole = run(rack, store, observe=second, resume=before.run_id)
    assert [*first.judged, *second.judged] == TABLES
    verdicts = [outcome.verdict for outcome in whole.chips[0].outcomes]
    assert verdicts == [Verdict.PASS, Verdict.FAIL, Verdict.FAIL]

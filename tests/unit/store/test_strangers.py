"""Files that are no store: a stranger's stays as it is, and who only reads makes none."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.errors import StoreError
from harness.store import Store
from tests.unit.store.samples import heading

READERS = {
    "accept": ["accept", "latest"],
    "bundle": ["bundle", "latest", "--chip", "SP2-0001"],
    "history": ["history"],
    "report": ["report"],
    "watch": ["watch", "--port", "0"],
}
"""Commands that read what is kept."""


def everything(folder: Path) -> dict[str, str]:
    """Every file of a folder with the hash of its bytes."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def notes(path: Path, journal: str) -> None:
    """A database of another program, closed as it should be."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(f"PRAGMA journal_mode={journal}")
        raw.execute("CREATE TABLE notes (text TEXT)")
        raw.execute("INSERT INTO notes VALUES ('low tide at six')")
        raw.commit()


def a_view(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE VIEW six AS SELECT 6")


STRANGERS: dict[str, Callable[[Path], None]] = {
    "with a rollback journal": lambda path: notes(path, "DELETE"),
    "with a write-ahead log": lambda path: notes(path, "WAL"),
    "with a view only": a_view,
}


@pytest.mark.parametrize("make", STRANGERS.values(), ids=STRANGERS.keys())
@pytest.mark.parametrize("open_it", [Store, Store.existing])
def test_a_database_of_another_program_is_refused_and_not_a_byte_of_it_changed(
    make: Callable[[Path], None], open_it: Callable[[Path], Store], tmp_path: Path
) -> None:
    path = tmp_path / "notes.db"
    make(path)
    before = everything(tmp_path)
    with pytest.raises(StoreError) as caught:
        open_it(path)
    assert str(caught.value) == (
        f"{path}: this is a database of another program and is left unchanged; choose another store"
    )
    assert everything(tmp_path) == before


def test_a_database_that_another_program_left_in_the_middle_is_not_tidied_up(
    tmp_path: Path,
) -> None:
    """Killed with a commit in its log only: that log is the other program's to work on."""
    path = tmp_path / "notes.db"
    script = (
        "import os, sqlite3; raw = sqlite3.connect(os.environ['NOTES'], isolation_level=None);"
        "raw.execute('PRAGMA journal_mode=WAL'); raw.execute('CREATE TABLE notes (text TEXT)');"
        "os.kill(os.getpid(), 9)"
    )
    subprocess.run(
        [sys.executable, "-c", script], env=os.environ | {"NOTES": str(path)}, check=False
    )
    before = everything(tmp_path)
    assert before["notes.db-wal"] != hashlib.sha256(b"").hexdigest()
    with pytest.raises(StoreError, match="a database of another program"):
        Store(path)
    after = everything(tmp_path)
    assert {name: after[name] for name in ("notes.db", "notes.db-wal")} == {
        name: before[name] for name in ("notes.db", "notes.db-wal")
    }


@pytest.mark.parametrize("content", [b"hello", b"not a database " * 400, b"SQLite format 3\0" * 9])
@pytest.mark.parametrize("open_it", [Store, Store.existing])
def test_a_file_that_is_no_database_is_refused_and_kept(
    content: bytes, open_it: Callable[[Path], Store], tmp_path: Path
) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(StoreError) as caught:
        open_it(path)
    assert str(caught.value) == (
        f"{path}: this is not an SQLite database, or it is damaged; it is left unchanged. "
        "Choose another store, or restore it from a backup"
    )
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {path.name: content}


@pytest.mark.parametrize("open_it", [Store, Store.existing])
def test_a_folder_is_no_store(open_it: Callable[[Path], Store], tmp_path: Path) -> None:
    with pytest.raises(StoreError) as caught:
        open_it(tmp_path)
    assert str(caught.value) == f"{tmp_path}: this is a folder; name a file in it as the store"


def missing(path: Path) -> None:
    """No file at all."""
    del path


def empty_file(path: Path) -> None:
    path.touch()


def emptied(path: Path) -> None:
    """A database that has had a table, and has none any more."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE notes (number INTEGER PRIMARY KEY AUTOINCREMENT)")
        raw.execute("DROP TABLE notes")


EMPTY = {"missing": missing, "empty": empty_file, "emptied": emptied}


@pytest.mark.parametrize("make", EMPTY.values(), ids=EMPTY.keys())
def test_an_empty_database_becomes_a_store_when_something_is_to_be_kept(
    make: Callable[[Path], None], tmp_path: Path
) -> None:
    path = tmp_path / "s.sqlite"
    make(path)
    with Store(path) as store:
        store.start_run(heading())
    with Store.existing(path) as store:
        assert store.runs() == ("r1",)


@pytest.mark.parametrize("make", EMPTY.values(), ids=EMPTY.keys())
@pytest.mark.parametrize("command", READERS.values(), ids=READERS.keys())
def test_a_command_that_reads_makes_no_store(
    make: Callable[[Path], None],
    command: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "s.sqlite"
    make(path)
    before = everything(tmp_path)
    assert main([*command, "--store", str(path)]) == ExitCode.NOT_TESTED
    assert capsys.readouterr().err == (
        f"harness: {path}: no results are kept here yet; `harness run RACK.toml` keeps some, or "
        "name another store with --store\n"
    )
    assert everything(tmp_path) == before


def test_looking_takes_no_lock_from_a_store_that_is_open_already(tmp_path: Path) -> None:
    """A file that is opened and closed beside SQLite loses all locks that the process has on it.

    SQLite's documentation, "How To Corrupt An SQLite Database File", section 2.2.
    """
    path = tmp_path / "s.sqlite"
    script = (
        "import os, sqlite3; raw = sqlite3.connect(os.environ['STORE'], timeout=0);"
        "raw.execute('PRAGMA journal_mode=DELETE')"
    )
    with Store(path) as store:
        store.start_run(heading())
        Store.existing(path).close()
        done = subprocess.run(
            [sys.executable, "-c", script],
            env=os.environ | {"STORE": str(path)},
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert "database is locked" in done.stderr

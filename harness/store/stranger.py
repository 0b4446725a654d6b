"""Looks at an SQLite file before it is opened as a store, to tell whose it is.

One rule: looking changes nothing, not even the journal's mode, and goes through SQLite alone; a
file that is opened and closed beside it loses all locks that this process has on it.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from harness.door import check_file, is_folder, is_there
from harness.errors import FileUnusable, StoreError
from harness.store.models import SchemaRow

_NAMES = "SELECT name FROM sqlite_master WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'"


def holds_nothing(path: Path, place: str, busy_seconds: float) -> bool:
    """Tell whether a file is missing or an empty database; False if it is a store.

    Raises StoreError if it is anything else, sqlite3.Error if it cannot be read.
    """
    if is_folder(path):
        raise StoreError(f"{place}: this is a folder; name a file in it as the store")
    if not is_there(path):
        return True
    try:
        check_file(path)
    except FileUnusable as error:
        raise StoreError(f"{place}: {error.finding.message}; {error.finding.advice}") from error
    names = _names(path, place, busy_seconds)
    if names and SchemaRow.__tablename__ not in names:
        raise StoreError(
            f"{place}: this is a database of another program and is left unchanged; "
            "choose another store"
        )
    return not names


def _names(path: Path, place: str, busy_seconds: float) -> set[str]:
    """Names of all tables, views and indices that are no part of SQLite."""
    address = f"{path.absolute().as_uri()}?mode={_mode(path)}"
    try:
        with closing(sqlite3.connect(address, timeout=busy_seconds, uri=True)) as raw:
            return {name for (name,) in raw.execute(_NAMES)}
    except sqlite3.DatabaseError as error:
        if "not a database" not in str(error):
            raise
        raise StoreError(
            f"{place}: this is not an SQLite database, or it is damaged; it is left unchanged. "
            "Choose another store, or restore it from a backup"
        ) from error


def _mode(path: Path) -> str:
    """How to open a file so that nothing is left behind.

    The last to close a write-ahead log that was opened for writing checkpoints and removes it; a
    log made by opening for reading only is left behind.
    """
    return "ro" if is_there(path.with_name(f"{path.name}-wal")) else "rw"

"""The store as the page reads it: reopened after an error or when the file was replaced.

One rule: nothing is written or created. A missing file is an error.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from harness.errors import StoreError
from harness.rack import held, long_tables
from harness.store import Store, store_file
from harness.watch.state import Overview, rack_state

MAX_SHOWN_RUNS = 10
"""Maximum number of runs listed, latest first."""


class StoreSource:
    """One store, for any thread."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._path = store_file(where)
        self._store: Store | None = None
        self._seen: tuple[int, int] | None = None
        self._guard = threading.Lock()

    @contextmanager
    def opened(self) -> Iterator[Store]:
        """Yield the store; after a StoreError it is reopened next time."""
        store = self._current()
        try:
            yield store
        except StoreError:
            self._forget(store)
            raise

    def close(self) -> None:
        """Close every connection."""
        if self._store is not None:
            self._forget(self._store)

    def _current(self) -> Store:
        with self._guard:
            seen = self._identity()
            if self._store is not None and seen != self._seen:
                self._store.close()
                self._store = None
            if self._store is None:
                self._store = Store.existing(self._where)
                self._seen = seen
            return self._store

    def _forget(self, store: Store) -> None:
        with self._guard:
            if self._store is store:
                store.close()
                self._store = None

    def _identity(self) -> tuple[int, int] | None:
        """Return device and inode of the file; None for a database server."""
        if self._path is None:
            return None
        try:
            status = self._path.stat()
        except OSError:
            return (0, 0)
        return status.st_dev, status.st_ino


def look_at(source: StoreSource, rack: str | None) -> Overview:
    """Read the state of the latest run, of one rack or of all. Raises StoreError."""
    with source.opened() as store:
        runs = store.headings(rack, MAX_SHOWN_RUNS)
        if not runs:
            return Overview(None, (), store.racks())
        latest = runs[0]
        holder = held(f"{latest.kind} {latest.run_id}")
        going = long_tables(latest.run_id) if holder else {}
        state = rack_state(store.glance(latest.run_id), holder, datetime.now(UTC), going)
        verdicts = store.verdicts([run.run_id for run in runs])
        return Overview(state, runs, store.racks(), verdicts)

"""Another program that keeps an SQLite file locked for a while."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the write lock of a store, as a program does that writes for long."""
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        other.close()


@contextmanager
def locked_for(path: Path, seconds: float) -> Iterator[None]:
    """Hold the lock for this time."""
    begun, done = threading.Event(), threading.Event()

    def hold() -> None:
        with locked(path):
            begun.set()
            done.wait(seconds)

    thread = threading.Thread(target=hold)
    thread.start()
    begun.wait()
    try:
        yield
    finally:
        done.set()
        thread.join()

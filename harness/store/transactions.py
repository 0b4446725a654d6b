"""The two ways into the database: one that writes, one that reads.

One rule: a writer has the database's write lock from the start, and a reader sees one moment; so
neither acts on data that another program is changing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine


@contextmanager
def writing(engine: Engine, busy_seconds: float | None = None) -> Iterator[Connection]:
    """Open a transaction that is durable once the context ends without an error.

    ``busy_seconds`` is how long SQLite waits for its turn; None keeps the engine's setting.
    """
    with engine.begin() as connection:
        if connection.dialect.name == "sqlite":  # its driver begins only with the first change
            if busy_seconds is not None:
                connection.exec_driver_sql(f"PRAGMA busy_timeout={busy_seconds * 1000:.0f}")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Open a connection whose queries all see the same state."""
    with engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN")
        else:
            connection.execution_options(isolation_level="REPEATABLE READ")
        yield connection

"""An SQLite store copied into PostgreSQL, table by table, as it is."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from sqlalchemy import Connection, Table, text

from harness.store.engine import open_engine, store_url
from harness.store.models import Base, SchemaRow


def copy_store(path: Path, url: str) -> None:
    """Fill an empty PostgreSQL database; its planner knows the tables afterwards."""
    engine = open_engine(store_url(url))
    source = sqlite3.connect(path)
    with engine.begin() as connection:
        connection.exec_driver_sql("SET TIME ZONE 'UTC'")
        raw = connection.connection.driver_connection
        assert raw is not None
        for table in Base.metadata.sorted_tables:
            if table.name == SchemaRow.__tablename__:
                continue
            names = ", ".join(column.name for column in table.columns)
            rows = source.execute(f"SELECT {names} FROM {table.name}")
            with (
                raw.cursor() as cursor,
                cursor.copy(f"COPY {table.name} ({names}) FROM STDIN") as copy,
            ):
                for row in rows:
                    copy.write_row(row)
            _count_on(connection, table)
    source.close()
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE")
    engine.dispose()


def _count_on(connection: Connection, table: Table) -> None:
    """Have the next row numbered after those that were copied."""
    if "number" in table.columns:
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'number'),"
                f" (SELECT coalesce(max(number), 1) FROM {table.name}))"
            )
        )

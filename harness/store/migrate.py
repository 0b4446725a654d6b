"""Brings a store of an earlier schema version to the current one, with Alembic.

One rule: all steps happen in one transaction under a lock, so a crash leaves the old store, and of
two programs that open it at the same time one waits for the other.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, text

from harness.store.models import SCHEMA_VERSION, SchemaRow
from harness.store.summaries import summarise_older

STEPS = Path(__file__).parent / "migrations"

_LOCK = 0x68_61_72_6E
"""Number of the advisory lock that PostgreSQL holds while the schema changes."""


def migrate(engine: Engine) -> None:
    """Take every step that is missing, then summarise every run that has no summaries.

    There is nothing to do if another program was faster.

    Raises SQLAlchemyError if a step fails; the store is then as it was.
    """
    with engine.connect() as connection:
        _lock(connection)
        found = connection.execute(text(f"SELECT version FROM {SchemaRow.__tablename__}"))  # noqa: S608 - our own constant
        version = int(found.scalar_one())
        if version < SCHEMA_VERSION:
            _step(connection, version)
            summarise_older(connection, None)
        connection.commit()


def _lock(connection: Connection) -> None:
    """Begin a transaction that no other program can change the schema beside."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("BEGIN IMMEDIATE")
    elif connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")


def _step(connection: Connection, version: int) -> None:
    """Take the steps from a version to the current one."""
    from alembic import command  # noqa: PLC0415 - slow to load, and few stores are old
    from alembic.config import Config  # noqa: PLC0415 - as above

    config = Config()
    config.set_main_option("script_location", str(STEPS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.stamp(config, str(version))
    command.upgrade(config, str(SCHEMA_VERSION))

"""Opens the database: where it is, what SQLite needs for safety, and one door for its errors.

One rule: no SQLAlchemy or operating-system error leaves this room; each becomes a StoreError
that says where the results are kept and what to do.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event, insert, inspect, select, update
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from harness.errors import StoreError
from harness.store.damage import undamaged, value_or_damage
from harness.store.models import (
    OLDER_SUMMARIES,
    SCHEMA_VERSION,
    Base,
    HandoverRow,
    OutcomeRow,
    RunRow,
    SchemaRow,
)
from harness.store.patience import Patience
from harness.store.stranger import holds_nothing
from harness.store.transactions import writing

_IN_MEMORY = ":memory:"

BUSY_SECONDS = 30
"""How long a write waits for another program that is writing to the same SQLite file."""

BRIEFLY_SECONDS = 2
"""The same during a run, which reports the wait and can be stopped meanwhile."""

_CREATING = 0x68_61_72_6E
"""Number of the advisory lock that PostgreSQL holds while a store is created."""

_SERVER_WAITS = {"connect_timeout": 10, "keepalives_idle": 30, "tcp_user_timeout": 30_000}
"""Seconds to connect, seconds until a silent server is asked, milliseconds until it is gone."""

_ADVICE = (
    ("disk is full", "free some space there; what was stored before is safe"),
    ("no space left", "free some space there; what was stored before is safe"),
    ("locked", "another program is writing to it; close that program or choose another store"),
    ("readonly", "allow writing to the file and its folder, or choose another store"),
    ("read-only file system", "choose another store"),
    ("file exists", "a file is where a folder should be; choose another store"),
    ("not a directory", "a file is where a folder should be; choose another store"),
    ("permission denied", "allow writing to the folder, or choose another store"),
    ("unable to open", "check that the folder exists and that you may write to it"),
    ("not a database", "the file is something else or damaged; choose another store"),
    ("could not decode", "the file is damaged; restore it from a backup or choose another store"),
    ("can't decode", "the file is damaged; restore it from a backup or choose another store"),
    ("malformed", "the file is damaged; restore it from a backup or choose another store"),
    ("disk i/o error", "the disk or its limits refuse the write; check the disk's state"),
)


def store_url(where: str | Path) -> URL:
    """Return the address of a store: text with ``://`` is one already, other text names a file.

    A file's name is taken literally, whatever is in it. Raises StoreError for an address that
    cannot be read, or keeps nothing.
    """
    text = str(where)
    if "://" not in text:
        if not text or "\0" in text:
            raise StoreError("the store has no name; give a file or a SQLAlchemy URL")
        name = text if text != _IN_MEMORY else f"./{text}"
        return URL.create("sqlite", database=name)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        # the address itself is not repeated: it may hold a password
        message = "the address of the store cannot be read; give a file or a SQLAlchemy URL"
        raise StoreError(message) from error
    if url.get_backend_name() == "sqlite" and url.database in (None, "", _IN_MEMORY):
        raise StoreError("an SQLite database in memory keeps nothing; name a file as the store")
    return url


def sqlite_path(url: URL) -> Path | None:
    """Return the file of an SQLite URL; None for other databases."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def store_file(where: str | Path) -> Path | None:
    """Return the file of a store; None if it is a database of another kind. Raises StoreError."""
    return sqlite_path(store_url(where))


def busy_seconds(patience: Patience) -> float:
    """Return how long SQLite itself waits for its turn to write."""
    return min(BRIEFLY_SECONDS, BUSY_SECONDS) if patience.listened_to else BUSY_SECONDS


WhenEmpty = Callable[[str], None]
"""Raises StoreError if no store may be made at this place, which is still empty."""


def make_store(place: str) -> None:
    """Allow a new store, for a caller that will write to it."""
    del place


def make_none(place: str) -> None:
    """Refuse to make a store for a caller that only reads."""
    raise StoreError(
        f"{place}: no results are kept here yet; `harness run RACK.toml` keeps some, or name "
        "another store with --store"
    )


def open_engine(url: URL, when_empty: WhenEmpty = make_store) -> Engine:
    """Open the database; an empty one gets our tables.

    An SQLite file with anything of another program in it is refused and left unchanged. A
    PostgreSQL database may be shared: our tables are made beside others in the same schema,
    unless one of the names is taken.

    Summaries of the version before are dropped where they would differ now: those runs are read
    from their outcomes until a run starts. Raises StoreError if the database cannot be opened or
    has a schema of another version.
    """
    path = sqlite_path(url)
    shown = shown_place(url)
    with translated(shown):
        if path is not None:
            if holds_nothing(path, shown, BUSY_SECONDS):
                when_empty(shown)
            path.parent.mkdir(parents=True, exist_ok=True)
        # bodies come as JSON text, made by the thread that records and not by the one that commits
        engine = create_engine(
            url, json_serializer=str, json_deserializer=value_or_damage, **_options(url, path)
        )
        if path is not None:
            event.listen(engine, "connect", _prepare_sqlite)
    try:
        with translated(shown), undamaged(shown):
            _check_schema(engine, shown, when_empty)
    except StoreError:
        engine.dispose()
        raise
    return engine


def shown_place(url: URL) -> str:
    """Return the store's place as a person may read it: no password."""
    path = sqlite_path(url)
    return str(path) if path is not None else url.render_as_string()


@contextmanager
def translated(place: str) -> Iterator[None]:
    """Turn every database and system error inside into a StoreError with place and advice."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, UnicodeDecodeError, OSError, ImportError) as error:
        cause = " ".join(str(getattr(error, "orig", None) or error).split())
        lowered = cause.lower()
        advice = next(
            (advice for sign, advice in _ADVICE if sign in lowered),
            "check the store's address and that it can be reached",
        )
        raise StoreError(f"{place}: results cannot be kept or read ({cause}); {advice}") from error


def _options(url: URL, path: Path | None) -> dict[str, Any]:
    if path is not None:
        return {"connect_args": {"timeout": BUSY_SECONDS}}
    options: dict[str, Any] = {"pool_pre_ping": True}  # the server may have been started again
    if url.get_backend_name() == "postgresql":
        options["connect_args"] = _SERVER_WAITS
    return options


def _prepare_sqlite(connection: Any, record: object) -> None:
    """Make a finished commit survive a power cut."""
    del record
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _check_schema(engine: Engine, place: str, when_empty: WhenEmpty) -> None:
    """Make our tables if there are none; refuse another version."""
    if not inspect(engine).has_table(SchemaRow.__tablename__):
        _create(engine, place, when_empty)
    version = _version(engine)
    if version == OLDER_SUMMARIES:
        _take_over(engine)
        version = _version(engine)
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"{place}: the store has schema version {version}, this tool needs {SCHEMA_VERSION}; "
            "use the tool's version that wrote it, or choose another store"
        )


def _version(engine: Engine) -> int | None:
    with engine.connect() as connection:
        return connection.scalar(select(SchemaRow.version))


def _take_over(engine: Engine) -> None:
    """Add what is new, and have runs summarised again whose failures belong to table or design."""
    wrong = select(OutcomeRow.run_id).where(~OutcomeRow.counts)
    with writing(engine) as connection:
        Base.metadata.create_all(connection, [Base.metadata.tables[HandoverRow.__tablename__]])
        connection.execute(update(RunRow).where(RunRow.run_id.in_(wrong)).values(summarised=False))
        connection.execute(
            update(SchemaRow)
            .where(SchemaRow.version == OLDER_SUMMARIES)
            .values(version=SCHEMA_VERSION)
        )


def _create(engine: Engine, place: str, when_empty: WhenEmpty) -> None:
    """Make all tables and record their version, or leave the database as it was.

    If several programs do so at once, one does and the others wait. Refuses names that are taken.
    """
    with writing(engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_CREATING})")
        names = set(inspect(connection).get_table_names())
        if SchemaRow.__tablename__ in names:
            return
        if taken := ", ".join(sorted(names & set(Base.metadata.tables))):
            raise StoreError(
                f"{place}: tables of another program have names that the store needs ({taken}); "
                "choose another store"
            )
        when_empty(place)
        Base.metadata.create_all(connection)
        connection.execute(insert(SchemaRow).values(version=SCHEMA_VERSION))

"""The tables of the store, as SQLAlchemy models that SQLite and PostgreSQL both take.

One rule: columns hold what people search by; everything else of an outcome is in ``body``, the
record as JSON. Subjects, layouts and nights can be made again from the outcomes. A change here
needs a new ``SCHEMA_VERSION``: a store of another version is refused, unless only what can be made
again changed.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    DateTime,
    Dialect,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Text,
    TypeDecorator,
    UniqueConstraint,
    false,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from harness.errors import StoreError
from harness.records import RunKind

SCHEMA_VERSION = 8

OLDER_SUMMARIES = 7
"""A version with the same columns, whose summaries count a design's failures against chips."""


def in_utc(moment: datetime) -> datetime:
    """Turn a moment to UTC; raises StoreError for one without a zone, which is ambiguous."""
    if moment.tzinfo is None:
        raise StoreError("a moment in the store needs a time zone")
    return moment.astimezone(UTC)


class Moment(TypeDecorator[datetime]):
    """A moment in time, kept in UTC and always handed out with its zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Store in UTC; see :func:`in_utc`."""
        del dialect
        return None if value is None else in_utc(value)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give the zone back to databases that drop it."""
        del dialect
        if value is None:
            return None
        return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """All models of the store."""


class SchemaRow(Base):
    """One row: which version of this schema the database has."""

    __tablename__ = "harness_schema"

    version: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)


class RunRow(Base):
    """One run of the tool, or one intake."""

    __tablename__ = "runs"

    run_id: Mapped[str] = mapped_column(Text, primary_key=True)
    kind: Mapped[str] = mapped_column(Text, server_default=RunKind.RUN.value)
    started: Mapped[datetime] = mapped_column(Moment, index=True)
    finished: Mapped[datetime | None] = mapped_column(Moment)
    tool_version: Mapped[str] = mapped_column(Text)
    shuttle: Mapped[str] = mapped_column(Text)
    organisation: Mapped[str] = mapped_column(Text)
    shuttle_file: Mapped[str] = mapped_column(Text)
    shuttle_sha256: Mapped[str] = mapped_column(Text)
    profile: Mapped[str] = mapped_column(Text)
    profile_file: Mapped[str] = mapped_column(Text)
    profile_sha256: Mapped[str] = mapped_column(Text)
    rack: Mapped[str] = mapped_column(Text)
    rack_file: Mapped[str] = mapped_column(Text)
    rack_sha256: Mapped[str] = mapped_column(Text)
    cancelled: Mapped[bool]
    accepted: Mapped[datetime | None] = mapped_column(Moment)
    accepted_why: Mapped[str] = mapped_column(Text, default="", server_default="")
    summarised: Mapped[bool] = mapped_column(default=False, server_default=false())
    """Whether the run's rows in ``nights`` agree with its outcomes."""


NEWEST = (RunRow.started.desc(), RunRow.run_id.desc())


class ChipRow(Base):
    """One chip in one slot of one run."""

    __tablename__ = "chips"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.run_id"), primary_key=True)
    slot: Mapped[str] = mapped_column(Text, primary_key=True)
    position: Mapped[int]
    chip_serial: Mapped[str] = mapped_column(Text, index=True)
    board_serial: Mapped[str] = mapped_column(Text, index=True)
    port: Mapped[str] = mapped_column(Text)
    virtual: Mapped[bool]
    agent_version: Mapped[str] = mapped_column(Text)
    interpreter: Mapped[str] = mapped_column(Text)
    backend: Mapped[str] = mapped_column(Text)
    exact: Mapped[bool]
    trouble: Mapped[str] = mapped_column(Text)


class OutcomeRow(Base):
    """One design's table on one chip: search columns, and the whole record in ``body``."""

    __tablename__ = "outcomes"
    __table_args__ = (
        UniqueConstraint("run_id", "slot", "design", "table_name"),
        ForeignKeyConstraint(["run_id", "slot"], ["chips.run_id", "chips.slot"]),
    )

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    run_id: Mapped[str] = mapped_column(Text)
    slot: Mapped[str] = mapped_column(Text)
    chip_serial: Mapped[str] = mapped_column(Text)
    design: Mapped[str] = mapped_column(Text)
    table_name: Mapped[str] = mapped_column(Text)
    table_sha256: Mapped[str] = mapped_column(Text)
    verdict: Mapped[str] = mapped_column(Text)
    counts: Mapped[bool]
    mismatches: Mapped[int]
    started: Mapped[datetime] = mapped_column(Moment)
    seconds: Mapped[float]
    body: Mapped[dict[str, Any]] = mapped_column(JSON)


class CauseRow(Base):
    """One cause of failures in a run: its record in ``body``, and a person's decision, if any."""

    __tablename__ = "causes"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.run_id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(Text)
    body: Mapped[dict[str, Any]] = mapped_column(JSON)
    overruled: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class ContinuityRow(Base):
    """The continuity test of one slot in a run: its record in ``body``."""

    __tablename__ = "continuity"

    run_id: Mapped[str] = mapped_column(ForeignKey("runs.run_id"), primary_key=True)
    slot: Mapped[str] = mapped_column(Text, primary_key=True)
    body: Mapped[dict[str, Any]] = mapped_column(JSON)


class SubjectRow(Base):
    """What a history can be about: a chip, a design, or a slot of a rack."""

    __tablename__ = "subjects"
    __table_args__ = (UniqueConstraint("kind", "rack", "name"),)

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    kind: Mapped[str] = mapped_column(Text)
    rack: Mapped[str] = mapped_column(Text)
    name: Mapped[str] = mapped_column(Text)


class LayoutRow(Base):
    """The tables of a summary: JSON of ``[chip, design, table]``, the same for many nights.

    ``sha256`` is that of ``entries``.
    """

    __tablename__ = "layouts"

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    sha256: Mapped[str] = mapped_column(Text, unique=True)
    entries: Mapped[str] = mapped_column(Text)


class NightRow(Base):
    """One run's verdicts on one subject: a letter for each entry of the layout, in its order.

    SQLite keeps the rows of a subject side by side, so that a history is read in one piece.
    """

    __tablename__ = "nights"
    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012 - SQLAlchemy reads it once

    subject: Mapped[int] = mapped_column(ForeignKey("subjects.number"), primary_key=True)
    run_id: Mapped[str] = mapped_column(ForeignKey("runs.run_id"), primary_key=True)
    layout: Mapped[int] = mapped_column(ForeignKey("layouts.number"))
    verdicts: Mapped[str] = mapped_column(Text)


class MarginRow(Base):
    """One search for a design's margin on a chip: search columns, and the record in ``body``.

    ``run_id`` is the night's run, empty for a search of its own, so it is no foreign key.
    """

    __tablename__ = "margins"

    margin_id: Mapped[str] = mapped_column(Text, primary_key=True)
    run_id: Mapped[str] = mapped_column(Text, index=True)
    measured: Mapped[datetime] = mapped_column(Moment)
    chip_serial: Mapped[str] = mapped_column(Text)
    design: Mapped[str] = mapped_column(Text, index=True)
    kind: Mapped[str] = mapped_column(Text)
    body: Mapped[dict[str, Any]] = mapped_column(JSON)

    __table_args__ = (Index("margins_of_chip", "chip_serial", "design", "measured"),)


class HandoverRow(Base):
    """One handover of a board that starts a design by itself; the record is in ``body``."""

    __tablename__ = "handovers"

    handover_id: Mapped[str] = mapped_column(Text, primary_key=True)
    begun: Mapped[datetime] = mapped_column(Moment)
    chip_serial: Mapped[str] = mapped_column(Text)
    board_serial: Mapped[str] = mapped_column(Text)
    body: Mapped[dict[str, Any]] = mapped_column(JSON)

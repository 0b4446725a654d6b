"""The store's verbs, in the words of the domain. Any thread may call them.

One rule: when a ``record_…`` or ``finish_…`` verb has returned, what it was given survives a
crash; when it raises, everything recorded before is still there.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from harness.errors import StoreError
from harness.judge import ChipRecord, Outcome, RunRecord
from harness.store.codec import CodecError, decode, encode
from harness.store.engine import open_engine, shown_place, sqlite_path, store_url, translated
from harness.store.glance import Glance, SlotGlance, read_counts, read_latest, read_racks
from harness.store.history import History, Selection, read_lines, read_nights
from harness.store.models import ChipRow, OutcomeRow, RunRow
from harness.store.subjects import Subjects, read_subjects


class Store:
    """Every run, its chips and their outcomes, in one database.

    ``where`` is a file path (SQLite) or any SQLAlchemy URL. A missing SQLite file is created
    with its folder; an earlier schema is brought up to date. Raises StoreError if that fails or
    the schema is of a later version.
    """

    def __init__(self, where: str | Path) -> None:
        url = store_url(where)
        self.place = shown_place(url)
        self._engine: Engine = open_engine(url)
        self._writing = threading.Lock()

    @classmethod
    def existing(cls, where: str | Path) -> Self:
        """Open a store to read from; raises StoreError if there is none."""
        path = sqlite_path(store_url(where))
        if path is not None and not path.exists():
            message = f"{path}: there is no store here; run a table first or give --store"
            raise StoreError(message)
        return cls(where)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def start_run(self, run: RunRecord) -> None:
        """Keep a run's heading and whatever chips and outcomes it has already."""
        with self._write() as session:
            session.add(RunRow(**_columns(run, "chips")))
        for chip in run.chips:
            self.record_chip(run.run_id, chip)

    def record_chip(self, run_id: str, chip: ChipRecord) -> None:
        """Keep a chip's identity, over what was known of its slot before, and its outcomes."""
        with self._write() as session:
            found = session.get(ChipRow, (run_id, chip.slot))
            if found is None:
                count = select(func.count()).where(ChipRow.run_id == run_id)
                position = session.scalar(count) or 0
                session.add(ChipRow(run_id=run_id, position=position, **_columns(chip, "outcomes")))
            else:
                _overwrite(found, _columns(chip, "outcomes"))
        for outcome in chip.outcomes:
            self.record_outcome(run_id, outcome)

    def record_outcome(self, run_id: str, outcome: Outcome) -> None:
        """Keep one outcome, over an earlier one of the same slot, design and table.

        The chip of its slot has been recorded before. Raises StoreError otherwise.
        """
        columns = _outcome_columns(outcome)
        with self._write() as session:
            found = session.scalar(
                select(OutcomeRow).where(
                    OutcomeRow.run_id == run_id,
                    OutcomeRow.slot == outcome.slot,
                    OutcomeRow.design == outcome.design,
                    OutcomeRow.table_name == outcome.table,
                )
            )
            if found is None:
                session.add(OutcomeRow(run_id=run_id, **columns))
            else:
                _overwrite(found, columns)

    def finish_run(self, run_id: str, finished: datetime, *, cancelled: bool) -> None:
        """Mark a run as over; ``cancelled`` is a fact about it, not a mode."""
        with self._write() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            row.finished = finished
            row.cancelled = cancelled

    def run(self, run_id: str) -> RunRecord:
        """Read one run whole. Raises StoreError if there is no such run."""
        with self._read() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            return RunRecord(chips=self._chips(session, run_id), **_fields(row, RunRecord, "chips"))

    def latest_run(self) -> RunRecord:
        """Read the run that was started last. Raises StoreError if there is none."""
        found = self.runs()
        if not found:
            message = f"{self.place}: no run is kept here yet; run a table first"
            raise StoreError(message)
        return self.run(found[-1])

    def runs(self) -> tuple[str, ...]:
        """List the run ids, oldest first."""
        with self._read() as session:
            return tuple(
                session.scalars(select(RunRow.run_id).order_by(RunRow.started, RunRow.run_id))
            )

    def resume_run(self, run_id: str) -> RunRecord:
        """Mark a run as under way again and return what is kept of it. Raises StoreError."""
        with self._write() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            row.finished, row.cancelled = None, False
        return self.run(run_id)

    def accept(self, run_id: str, when: datetime, why: str = "") -> None:
        """Make a finished run the baseline of its rack.

        Raises StoreError for a run that is not there, not finished or was stopped.
        """
        with self._write() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            if row.finished is None or row.cancelled:
                state = "was stopped" if row.cancelled else "is not finished"
                message = (
                    f"{self.place}: run {run_id} {state}, so it can be no baseline; finish it "
                    "with --resume, or accept another"
                )
                raise StoreError(message)
            row.accepted, row.accepted_why = when, why

    def baseline(self, rack: str) -> RunRecord | None:
        """Return the run of a rack that was accepted last; None if none ever was."""
        with self._read() as session:
            found = session.scalar(
                select(RunRow.run_id)
                .where(RunRow.rack == rack, RunRow.accepted.is_not(None))
                .order_by(RunRow.accepted.desc())
                .limit(1)
            )
        return self.run(found) if found is not None else None

    def history(self, which: Selection) -> History:
        """Every table that a chip, design or slot had, and every night, in one look."""
        with self._read() as session:
            return History(read_lines(session, which), read_nights(session, which))

    def subjects(self) -> Subjects:
        """List every chip, design and slot that has a history."""
        with self._read() as session:
            return read_subjects(session)

    def racks(self) -> tuple[str, ...]:
        """List the names of all racks that ever ran, the one that ran last first."""
        with self._read() as session:
            return read_racks(session)

    def headings(self, rack: str | None = None, most: int = 20) -> tuple[RunRecord, ...]:
        """Read the latest runs, of one rack or of all, newest first, without their chips."""
        with self._read() as session:
            asked = select(RunRow).order_by(RunRow.started.desc(), RunRow.run_id.desc())
            if rack is not None:
                asked = asked.where(RunRow.rack == rack)
            rows = session.scalars(asked.limit(most))
            return tuple(RunRecord(chips=(), **_fields(row, RunRecord, "chips")) for row in rows)

    def glance(self, run_id: str) -> Glance:
        """Read how a run stands, slot by slot, without its evidence.

        Raises StoreError if there is no such run.
        """
        with self._read() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            counts, latest = read_counts(session, run_id), read_latest(session, run_id)
            slots = tuple(
                SlotGlance(chip, counts.get(chip.slot, {}), latest.get(chip.slot))
                for chip in _bare_chips(session, run_id)
            )
            return Glance(RunRecord(chips=(), **_fields(row, RunRecord, "chips")), slots)

    def chip(self, run_id: str, slot: str) -> RunRecord:
        """Read a run with the outcomes of one slot only; its other chips are without.

        Raises StoreError if there is no such run; a slot that it does not have changes nothing.
        """
        with self._read() as session:
            row = session.get(RunRow, run_id)
            if row is None:
                raise StoreError(self._unknown(run_id))
            kept = session.scalars(
                select(OutcomeRow)
                .where(OutcomeRow.run_id == run_id, OutcomeRow.slot == slot)
                .order_by(OutcomeRow.number)
            )
            outcomes = tuple(self._outcome(found) for found in kept)
            chips = tuple(
                dataclasses.replace(chip, outcomes=outcomes) if chip.slot == slot else chip
                for chip in _bare_chips(session, run_id)
            )
            return RunRecord(chips=chips, **_fields(row, RunRecord, "chips"))

    def _outcome(self, row: OutcomeRow) -> Outcome:
        place = f"{self.place}: run {row.run_id}, outcome {row.number}"
        try:
            outcome: Outcome = decode(Outcome, row.body, "outcome")
        except CodecError as error:
            message = f"{place} is damaged ({error}); restore the file from a backup"
            raise StoreError(message) from error
        return outcome

    def _chips(self, session: Session, run_id: str) -> tuple[ChipRecord, ...]:
        outcomes: dict[str, list[Outcome]] = {}
        for row in session.scalars(
            select(OutcomeRow).where(OutcomeRow.run_id == run_id).order_by(OutcomeRow.number)
        ):
            outcomes.setdefault(row.slot, []).append(self._outcome(row))
        chips = session.scalars(
            select(ChipRow).where(ChipRow.run_id == run_id).order_by(ChipRow.position)
        )
        return tuple(
            ChipRecord(
                outcomes=tuple(outcomes.get(row.slot, ())), **_fields(row, ChipRecord, "outcomes")
            )
            for row in chips
        )

    def _unknown(self, run_id: str) -> str:
        known = self.runs()
        latest = f"the latest is {known[-1]}" if known else "none is kept yet"
        return f"{self.place}: no run {run_id} is kept here; {latest}"

    @contextmanager
    def _write(self) -> Iterator[Session]:
        with (
            self._writing,
            translated(self.place),
            Session(self._engine) as session,
            session.begin(),
        ):
            yield session

    @contextmanager
    def _read(self) -> Iterator[Session]:
        with translated(self.place), Session(self._engine) as session:
            yield session


def _bare_chips(session: Session, run_id: str) -> tuple[ChipRecord, ...]:
    """Read a run's chips in the rack's order, without outcomes."""
    rows = session.scalars(
        select(ChipRow).where(ChipRow.run_id == run_id).order_by(ChipRow.position)
    )
    return tuple(ChipRecord(outcomes=(), **_fields(row, ChipRecord, "outcomes")) for row in rows)


def _columns(record: RunRecord | ChipRecord, without: str) -> dict[str, Any]:
    return {
        field.name: getattr(record, field.name)
        for field in dataclasses.fields(record)
        if field.name != without
    }


def _fields(
    row: RunRow | ChipRow, kind: type[RunRecord | ChipRecord], without: str
) -> dict[str, Any]:
    return {
        field.name: getattr(row, field.name)
        for field in dataclasses.fields(kind)
        if field.name != without
    }


def _outcome_columns(outcome: Outcome) -> dict[str, Any]:
    return {
        "slot": outcome.slot,
        "chip_serial": outcome.chip_serial,
        "design": outcome.design,
        "table_name": outcome.table,
        "table_sha256": outcome.table_sha256,
        "verdict": outcome.verdict.value,
        "origin": outcome.origin.value,
        "mismatches": outcome.mismatches,
        "started": outcome.started,
        "seconds": outcome.seconds,
        "body": encode(outcome),
    }


def _overwrite(row: ChipRow | OutcomeRow, columns: dict[str, Any]) -> None:
    for name, value in columns.items():
        setattr(row, name, value)

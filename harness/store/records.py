"""Rows of the store from records, and records from rows.

One rule: a record that is read is equal to the one that was kept; a body that does not fit is
said to be damaged, with its place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, select

from harness.errors import StoreError
from harness.judge import ChipRecord, Outcome, RunRecord
from harness.store.codec import CodecError, decode, encode
from harness.store.inserts import Row
from harness.store.jsontext import to_text
from harness.store.models import ChipRow, OutcomeRow, RunRow
from harness.store.undisturbed import undisturbed


def run_row(run: RunRecord) -> dict[str, Any]:
    """Columns of a run's heading."""
    return _columns(run, "chips")


def chip_row(chip: ChipRecord) -> dict[str, Any]:
    """Columns of a chip, but for its run and its position in it."""
    return _columns(chip, "outcomes")


def outcome_rows(run_id: str, outcomes: Iterable[Outcome]) -> list[Row]:
    """Columns of outcomes of one run."""
    with undisturbed():
        return [_outcome_row(run_id, outcome) for outcome in outcomes]


def _outcome_row(run_id: str, outcome: Outcome) -> Row:
    return {
        "run_id": run_id,
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
        "body": to_text(encode(outcome)),
    }


def read_run(connection: Connection, run_id: str, place: str) -> RunRecord | None:
    """Read a run whole; None if there is none. Raises StoreError if a body is damaged."""
    heading = read_heading(connection, run_id)
    if heading is None:
        return None
    with undisturbed():
        outcomes = read_outcomes(connection, OutcomeRow.run_id == run_id, place)
        return _with_outcomes(connection, heading, outcomes)


def read_run_slot(connection: Connection, run_id: str, slot: str, place: str) -> RunRecord | None:
    """Read a run with the outcomes of one slot only; otherwise as :func:`read_run`."""
    heading = read_heading(connection, run_id)
    if heading is None:
        return None
    which = (OutcomeRow.run_id == run_id) & (OutcomeRow.slot == slot)
    return _with_outcomes(connection, heading, read_outcomes(connection, which, place))


def read_heading(connection: Connection, run_id: str) -> RunRecord | None:
    """Read a run without its chips; None if there is none."""
    found = _read_headings(connection, _HEADING.where(RunRow.run_id == run_id))
    return found[0] if found else None


def read_headings(connection: Connection, rack: str | None, most: int) -> tuple[RunRecord, ...]:
    """Read the latest runs, of one rack or of all, newest first, without their chips."""
    asked = _HEADING.order_by(RunRow.started.desc(), RunRow.run_id.desc()).limit(most)
    return _read_headings(connection, asked if rack is None else asked.where(RunRow.rack == rack))


def read_bare_chips(connection: Connection, run_id: str) -> tuple[ChipRecord, ...]:
    """Read a run's chips in the rack's order, without outcomes."""
    names = _names(ChipRecord, "outcomes")
    rows = connection.execute(
        select(*(getattr(ChipRow, name) for name in names))
        .where(ChipRow.run_id == run_id)
        .order_by(ChipRow.position)
    )
    return tuple(ChipRecord(outcomes=(), **dict(zip(names, row, strict=True))) for row in rows)


def read_outcomes(
    connection: Connection, which: ColumnElement[bool], place: str
) -> dict[str, list[Outcome]]:
    """Read outcomes by slot, in the order in which they were planned."""
    rows = connection.execute(
        select(OutcomeRow.run_id, OutcomeRow.slot, OutcomeRow.number, OutcomeRow.body)
        .where(which)
        .order_by(OutcomeRow.number)
    ).all()
    outcomes: dict[str, list[Outcome]] = {}
    for run_id, slot, number, body in rows:
        where = f"{place}: run {run_id}, outcome {number}"
        outcomes.setdefault(slot, []).append(_read_outcome(body, where))
    return outcomes


def _with_outcomes(
    connection: Connection, heading: RunRecord, outcomes: Mapping[str, Sequence[Outcome]]
) -> RunRecord:
    """Put a run together."""
    chips = read_bare_chips(connection, heading.run_id)
    whole = (replace(chip, outcomes=tuple(outcomes.get(chip.slot, ()))) for chip in chips)
    return replace(heading, chips=tuple(whole))


def _read_headings(
    connection: Connection, asked: Select[*tuple[Any, ...]]
) -> tuple[RunRecord, ...]:
    names = _names(RunRecord, "chips")
    rows = connection.execute(asked)
    return tuple(RunRecord(chips=(), **dict(zip(names, row, strict=True))) for row in rows)


def _read_outcome(body: Any, where: str) -> Outcome:
    try:
        outcome: Outcome = decode(Outcome, body, "outcome")
    except CodecError as error:
        message = f"{where} is damaged ({error}); restore the file from a backup"
        raise StoreError(message) from error
    return outcome


def _columns(record: RunRecord | ChipRecord, without: str) -> dict[str, Any]:
    return {name: getattr(record, name) for name in _names(type(record), without)}


def _names(kind: type[RunRecord | ChipRecord], without: str) -> list[str]:
    return [field.name for field in dataclasses.fields(kind) if field.name != without]


_HEADING = select(*(getattr(RunRow, name) for name in _names(RunRecord, "chips")))
"""Columns of a run's heading, in the record's order."""

"""Rows of the store from records, and records from rows.

One rule: a record that is read is equal to the one that was kept; a body that does not fit is
said to be damaged, with its place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, select

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
    names = _names(RunRecord, "chips")
    found = connection.execute(
        select(*(getattr(RunRow, name) for name in names)).where(RunRow.run_id == run_id)
    ).first()
    if found is None:
        return None
    heading = dict(zip(names, found, strict=True))
    with undisturbed():
        return RunRecord(chips=_read_chips(connection, run_id, place), **heading)


def _read_chips(connection: Connection, run_id: str, place: str) -> tuple[ChipRecord, ...]:
    outcomes: dict[str, list[Outcome]] = {}
    for slot, number, body in connection.execute(
        select(OutcomeRow.slot, OutcomeRow.number, OutcomeRow.body)
        .where(OutcomeRow.run_id == run_id)
        .order_by(OutcomeRow.number)
    ).all():
        where = f"{place}: run {run_id}, outcome {number}"
        outcomes.setdefault(slot, []).append(_read_outcome(body, where))
    names = _names(ChipRecord, "outcomes")
    chips = connection.execute(
        select(*(getattr(ChipRow, name) for name in names))
        .where(ChipRow.run_id == run_id)
        .order_by(ChipRow.position)
    )
    return tuple(
        ChipRecord(outcomes=tuple(outcomes.get(row.slot, ())), **dict(zip(names, row, strict=True)))
        for row in chips
    )


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

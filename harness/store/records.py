"""Rows of the store from records, and records from rows.

One rule: a record that is read is equal to the one that was kept; a body that does not fit is
said to be damaged, with its place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, get_type_hints

from sqlalchemy import Connection, Select, select

from harness.records import (
    ChipRecord,
    CodecError,
    Outcome,
    RunRecord,
    Verdict,
    encode,
    to_text,
)
from harness.store.damage import RESTORE, from_body
from harness.store.inserts import Row
from harness.store.models import ChipRow, OutcomeRow, RunRow
from harness.store.overview import bare, read_bodies, read_verdicts
from harness.store.undisturbed import undisturbed

VISIBLE_NUL = "\u2400"


def run_row(run: RunRecord) -> dict[str, Any]:
    """Columns of a run's heading."""
    return _columns(run, "chips")


def is_begun(connection: Connection, run: RunRecord) -> bool:
    """Tell whether this very heading is there: a commit whose answer was lost."""
    wanted = run_row(run)
    found = connection.execute(
        select(*(getattr(RunRow, name) for name in wanted)).where(RunRow.run_id == run.run_id)
    ).first()
    return found is not None and dict(found._mapping) == wanted  # noqa: SLF001 - a public name


def chip_row(chip: ChipRecord) -> dict[str, Any]:
    """Columns of a chip, but for its run and its position in it.

    What a board told of itself may hold a NUL, which no column of a server takes: it is shown.
    """
    columns = _columns(chip, "outcomes")
    return {
        name: value.replace("\0", VISIBLE_NUL) if isinstance(value, str) else value
        for name, value in columns.items()
    }


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


def read_headings(
    connection: Connection, run_ids: Sequence[str] | Select[Any]
) -> tuple[RunRecord, ...]:
    """Read these runs, newest first, without their chips."""
    names = _names(RunRecord, "chips")
    found = connection.execute(
        select(*(getattr(RunRow, name) for name in names))
        .where(RunRow.run_id.in_(run_ids))
        .order_by(RunRow.started.desc(), RunRow.run_id.desc())
    )
    return tuple(RunRecord(chips=(), **_fitting(RunRecord, names, row)) for row in found)


def read_bare_chips(connection: Connection, run_id: str) -> tuple[ChipRecord, ...]:
    """Read a run's chips in the rack's order, without outcomes."""
    names = _names(ChipRecord, "outcomes")
    found = connection.execute(
        select(*(getattr(ChipRow, name) for name in names))
        .where(ChipRow.run_id == run_id)
        .order_by(ChipRow.position)
    )
    return tuple(ChipRecord(outcomes=(), **_fitting(ChipRecord, names, row)) for row in found)


def read_run(
    connection: Connection, run_id: str, place: str, only_slot: str | None = None
) -> RunRecord | None:
    """Read a run whole, or with the outcomes of one slot only; None if there is none.

    An outcome whose body is damaged is an ERROR that says so.
    """
    found = read_headings(connection, [run_id])
    if not found:
        return None
    chosen = (OutcomeRow.slot == only_slot,) if only_slot is not None else ()
    outcomes: dict[str, list[Outcome]] = {}
    with undisturbed():
        o = OutcomeRow
        for number, body, *kept in connection.execute(
            select(o.number, o.body, o.slot, o.chip_serial, o.design, o.table_name, o.started)
            .where(o.run_id == run_id, *chosen)
            .order_by(o.number)
        ).all():
            where = f"{place}: run {run_id}, outcome {number}"
            slot, chip, design, table = map(str, kept[:4])
            known = bare(slot, chip, design, table, Verdict.ERROR, kept[4])
            outcomes.setdefault(known.slot, []).append(_read_outcome(body, where, known))
    return _with_chips(connection, found[0], outcomes)


def read_overview(connection: Connection, run_id: str, place: str) -> RunRecord | None:
    """Read a run with every verdict, and with evidence where an overview points at it.

    None if there is none; damaged bodies as in :func:`read_run`.
    """
    found = read_headings(connection, [run_id])
    if not found:
        return None
    with undisturbed():
        slots, firsts = read_verdicts(connection, run_id)
        for number, body in read_bodies(connection, list(firsts)).items():
            slot, at = firsts[number]
            where = f"{place}: run {run_id}, outcome {number}"
            slots[slot][at] = _read_outcome(body, where, slots[slot][at])
    return _with_chips(connection, found[0], slots)


def _with_chips(
    connection: Connection, heading: RunRecord, outcomes: Mapping[str, Sequence[Outcome]]
) -> RunRecord:
    chips = tuple(
        dataclasses.replace(chip, outcomes=tuple(outcomes.get(chip.slot, ())))
        for chip in read_bare_chips(connection, heading.run_id)
    )
    return dataclasses.replace(heading, chips=chips)


def _read_outcome(body: Any, where: str, known: Outcome) -> Outcome:
    """Make the record of a body; an ERROR in its place, ``known`` from the columns, if it is none.

    A body that belongs elsewhere than its row says is damaged too.
    """
    try:
        return _whole_outcome(body, known)
    except (CodecError, RecursionError) as error:
        return dataclasses.replace(
            known,
            verdict=Verdict.ERROR,
            summary=f"{where} is damaged ({error}), so nothing is known of this table",
            advice=f"{RESTORE}, or run the table again",
        )


def _whole_outcome(body: Any, known: Outcome) -> Outcome:
    outcome: Outcome = from_body(Outcome, body, "outcome")
    for name in ("slot", "chip_serial", "design", "table"):
        if getattr(outcome, name) != getattr(known, name):
            raise CodecError(f"outcome.{name}: not what its row says")
    return outcome


def _fitting(
    kind: type[RunRecord | ChipRecord], names: Sequence[str], row: Iterable[Any]
) -> dict[str, Any]:
    """Name the columns of a row; raises ValueError for one that SQLite kept as another kind."""
    found = dict(zip(names, row, strict=True))
    for name, hint in get_type_hints(kind).items():
        if name in found and not isinstance(found[name], hint):
            raise ValueError(f"{name} is no {getattr(hint, '__name__', hint)}")
    return found


def _columns(record: RunRecord | ChipRecord, without: str) -> dict[str, Any]:
    return {name: getattr(record, name) for name in _names(type(record), without)}


def _names(kind: type[RunRecord | ChipRecord], without: str) -> list[str]:
    return [field.name for field in dataclasses.fields(kind) if field.name != without]

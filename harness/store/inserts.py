"""Writes rows in bulk: the one statement for outcomes, and the dialects' own INSERT.

One rule: a row that is there is written over in its place, so that writing again what was written
already (after a commit whose answer was lost) changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.dialects import postgresql, sqlite

from harness.store.models import Base, ChipRow, OutcomeRow
from harness.store.undisturbed import undisturbed

Row = Mapping[str, Any]

OUTCOME_KEY = ("run_id", "slot", "design", "table_name")
CHIP_KEY = ("run_id", "slot")


def insert_into(connection: Connection, model: type[Base]) -> postgresql.Insert | sqlite.Insert:
    """Make the INSERT of the connection's dialect, which knows ON CONFLICT."""
    return _insert(connection.dialect.name, model)


def _insert(dialect: str, model: type[Base]) -> postgresql.Insert | sqlite.Insert:
    return postgresql.insert(model) if dialect == "postgresql" else sqlite.insert(model)


def put_outcomes(connection: Connection, rows: Sequence[Row]) -> None:
    """Write outcomes, each over the one of the same slot, design and table."""
    _put(connection, OutcomeRow, OUTCOME_KEY, rows)


def put_chips(connection: Connection, run_id: str, rows: Sequence[Row]) -> None:
    """Write chips of a run, each over what its slot had; new ones come after those there are."""
    count = select(func.count()).where(ChipRow.run_id == run_id)
    first = connection.scalar(count) or 0
    places = select(ChipRow.slot, ChipRow.position).where(ChipRow.run_id == run_id)
    known = {slot: position for slot, position in connection.execute(places)}  # noqa: C416
    placed = [
        {**row, "run_id": run_id, "position": known.get(row["slot"], first + k)}
        for k, row in enumerate(rows)
    ]
    _put(connection, ChipRow, CHIP_KEY, placed)


def _put(
    connection: Connection, model: type[Base], key: tuple[str, ...], rows: Sequence[Row]
) -> None:
    if not rows:
        return
    statement = _statement(connection.dialect.name, model, key, tuple(rows[0]))
    with undisturbed():
        connection.execute(statement, list(rows))


@cache
def _statement(
    dialect: str, model: type[Base], key: tuple[str, ...], names: tuple[str, ...]
) -> postgresql.Insert | sqlite.Insert:
    """Write these columns, over those of a row that is there; made once for many commits."""
    statement = _insert(dialect, model)
    changed = {name: statement.excluded[name] for name in names if name not in key}
    return statement.on_conflict_do_update(index_elements=key, set_=changed)

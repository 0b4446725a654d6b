"""Writes rows in bulk: the one statement for outcomes, and the dialects' own INSERT.

One rule: a row that is there is written over in its place, so that writing again what was written
already (after a commit whose answer was lost) changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    if connection.dialect.name == "postgresql":
        return postgresql.insert(model)
    return sqlite.insert(model)


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
    statement = insert_into(connection, model)
    changed = {name: statement.excluded[name] for name in rows[0] if name not in key}
    with undisturbed():
        connection.execute(
            statement.on_conflict_do_update(index_elements=key, set_=changed), list(rows)
        )

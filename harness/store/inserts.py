"""Writes rows in bulk: one row a statement in a file, many in one piece on a server.

One rule: a row that is there already is overwritten in place, so that writing the same rows again
(after a commit whose answer was lost) changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import JSON, Connection, Text, bindparam, cast, column, func, select
from sqlalchemy.dialects import postgresql, sqlite

from harness.records import to_text
from harness.store.models import Base, ChipRow, OutcomeRow, in_utc
from harness.store.undisturbed import undisturbed

Row = Mapping[str, Any]

Insert = TypeVar("Insert", postgresql.Insert, sqlite.Insert)

OUTCOME_KEY = ("run_id", "slot", "design", "table_name")
CHIP_KEY = ("run_id", "slot")

MAX_ROWS = 500
"""Maximum number of rows in one statement to a server, where a text has at most 1 GB."""

_TEXTS = {"body"}
"""Columns whose JSON is kept to the letter, so it travels as text."""

_AS_TEXT: Mapping[type, Callable[[Any], str]] = {
    datetime: lambda moment: in_utc(moment).isoformat(),
    float: str,  # also those that JSON lacks
}


def insert_into(connection: Connection, model: type[Base]) -> postgresql.Insert | sqlite.Insert:
    """Make the INSERT of the connection's dialect, which knows ON CONFLICT."""
    server = connection.dialect.name == "postgresql"
    return postgresql.insert(model) if server else sqlite.insert(model)


def put_outcomes(connection: Connection, rows: Sequence[Row]) -> None:
    """Write outcomes, each over the one of the same slot, design and table."""
    put_rows(connection, OutcomeRow, OUTCOME_KEY, rows)


def put_chips(connection: Connection, run_id: str, rows: Sequence[Row]) -> None:
    """Write chips of a run, each over what its slot had; new ones come last."""
    places = select(ChipRow.slot, ChipRow.position).where(ChipRow.run_id == run_id)
    known = {slot: position for slot, position in connection.execute(places)}  # noqa: C416
    placed = [
        {**row, "run_id": run_id, "position": known.get(row["slot"], len(known) + k)}
        for k, row in enumerate(rows)
    ]
    put_rows(connection, ChipRow, CHIP_KEY, placed)


def put_rows(
    connection: Connection, model: type[Base], key: tuple[str, ...], rows: Sequence[Row]
) -> None:
    """Write rows of a table, each over the one with the same key."""
    if not rows:
        return
    names = tuple(rows[0])
    with undisturbed():
        if connection.dialect.name == "sqlite":
            connection.execute(_row_statement(model, key, names), list(rows))
            return
        last = list({tuple(row[name] for name in key): row for row in rows}.values())
        for start in range(0, len(last), MAX_ROWS):
            piece = to_text([_as_json(row) for row in last[start : start + MAX_ROWS]])
            connection.execute(_piece_statement(model, key, names), {"piece": piece})


def _as_json(row: Row) -> dict[str, Any]:
    """Replace values that JSON lacks by texts."""
    return {
        name: _AS_TEXT[type(value)](value) if type(value) in _AS_TEXT else value
        for name, value in row.items()
    }


@cache
def _row_statement(
    model: type[Base], key: tuple[str, ...], names: tuple[str, ...]
) -> sqlite.Insert:
    """Make the statement that writes a row over an existing one, once for many commits."""
    return _over(sqlite.insert(model), key, names)


@cache
def _piece_statement(
    model: type[Base], key: tuple[str, ...], names: tuple[str, ...]
) -> postgresql.Insert:
    """The same for a server, which gets many rows in one piece, as JSON, each key once.

    A statement for each row costs this program five times as much, while other slots wait.
    """
    table = model.__table__.c
    given = [column(name, Text() if name in _TEXTS else table[name].type) for name in names]
    rows = (
        func.json_to_recordset(bindparam("piece", type_=JSON()))
        .table_valued(*given)
        .render_derived(with_types=True)
    )
    found = [cast(rows.c[name], JSON()) if name in _TEXTS else rows.c[name] for name in names]
    return _over(postgresql.insert(model).from_select(names, select(*found)), key, names)


def _over(statement: Insert, key: tuple[str, ...], names: tuple[str, ...]) -> Insert:
    changed = {name: statement.excluded[name] for name in names if name not in key}
    return statement.on_conflict_do_update(index_elements=key, set_=changed)

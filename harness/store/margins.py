"""Writes and reads margins: one row each, the whole record as JSON beside the search columns.

One rule: a margin is never changed; writing it again writes the same row.
"""

from __future__ import annotations

from typing import cast

from sqlalchemy import Connection, func, select

from harness.errors import StoreError
from harness.records import CodecError, JsonValue, MarginRecord, decode, encode, to_text
from harness.store.inserts import insert_into
from harness.store.models import MarginRow


def put_margin(connection: Connection, margin: MarginRecord) -> None:
    """Keep one margin."""
    row = {
        "margin_id": margin.margin_id,
        "run_id": margin.run_id,
        "measured": margin.measured,
        "chip_serial": margin.chip_serial,
        "design": margin.design,
        "kind": margin.kind.value,
        "body": to_text(encode(margin)),
    }
    statement = insert_into(connection, MarginRow)
    connection.execute(statement.on_conflict_do_nothing(index_elements=["margin_id"]), [row])


def read_margins(
    connection: Connection, place: str, chip: str, design: str, run_id: str
) -> tuple[MarginRecord, ...]:
    """Read margins, oldest first; an empty text stands for all.

    Raises StoreError, with ``place``, if one is damaged.
    """
    wanted = (
        (MarginRow.chip_serial, chip),
        (MarginRow.design, design),
        (MarginRow.run_id, run_id),
    )
    rows = connection.execute(
        select(MarginRow.margin_id, MarginRow.body)
        .where(*(column == value for column, value in wanted if value))
        .order_by(MarginRow.measured, MarginRow.margin_id)
    )
    return tuple(_read(body, f"{place}: margin {name}") for name, body in rows)


def read_latest_margins(
    connection: Connection, place: str, chip: str, most: int
) -> tuple[MarginRecord, ...]:
    """Read the latest margins of a chip, oldest first: so many of each design and kind."""
    latest = MarginRow.measured.desc(), MarginRow.margin_id.desc()
    place_in_line = func.row_number().over(
        partition_by=(MarginRow.design, MarginRow.kind), order_by=latest
    )
    ranked = (
        select(MarginRow.margin_id, place_in_line.label("n"))
        .where(MarginRow.chip_serial == chip)
        .subquery()
    )
    rows = connection.execute(
        select(MarginRow.margin_id, MarginRow.body)
        .join(ranked, ranked.c.margin_id == MarginRow.margin_id)
        .where(ranked.c.n <= most)
        .order_by(MarginRow.measured, MarginRow.margin_id)
    )
    return tuple(_read(body, f"{place}: margin {name}") for name, body in rows)


def _read(body: object, where: str) -> MarginRecord:
    try:
        margin: MarginRecord = decode(MarginRecord, cast("JsonValue", body), "margin")
    except CodecError as error:
        message = f"{where} is damaged ({error}); restore the file from a backup"
        raise StoreError(message) from error
    return margin

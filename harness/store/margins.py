"""Writes and reads margins: one row each, the whole record as JSON beside the search columns.

One rule: a margin is never changed; writing it again writes the same row.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, func, select

from harness.records import CodecError, MarginKind, MarginRecord, encode, to_text
from harness.store.damage import RESTORE, from_body
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

    One that is damaged is a search that broke off; its trouble says so, with ``place``.
    """
    wanted = (
        (MarginRow.chip_serial, chip),
        (MarginRow.design, design),
        (MarginRow.run_id, run_id),
    )
    rows = connection.execute(
        select(*_COLUMNS)
        .where(*(column == value for column, value in wanted if value))
        .order_by(MarginRow.measured, MarginRow.margin_id)
    )
    return tuple(_read(row, place) for row in rows)


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
        select(*_COLUMNS)
        .join(ranked, ranked.c.margin_id == MarginRow.margin_id)
        .where(ranked.c.n <= most)
        .order_by(MarginRow.measured, MarginRow.margin_id)
    )
    return tuple(_read(row, place) for row in rows)


_COLUMNS = (
    *(MarginRow.margin_id, MarginRow.run_id, MarginRow.measured, MarginRow.chip_serial),
    *(MarginRow.design, MarginRow.kind, MarginRow.body),
)


def _read(row: Row[Any], place: str) -> MarginRecord:
    try:
        margin: MarginRecord = from_body(MarginRecord, row.body, "margin")
    except (CodecError, RecursionError) as error:
        return _damaged(row, f"{place}: margin {row.margin_id} is damaged ({error}); {RESTORE}")
    return margin


def _damaged(row: Row[Any], trouble: str) -> MarginRecord:
    """Make a search of which the columns are all that is known: it counts as broken off."""
    kinds = {kind.value: kind for kind in MarginKind}
    return MarginRecord(
        margin_id=row.margin_id,
        run_id=row.run_id,
        measured=row.measured,
        shuttle="",
        rack="",
        slot="",
        chip_serial=row.chip_serial,
        board_serial="",
        virtual=False,
        design=row.design,
        table="",
        tables_sha256="",
        kind=kinds.get(row.kind, MarginKind.RATE),
        declared_hz=0.0,
        promised_hz=0.0,
        slowest_hz=0.0,
        fastest_hz=0.0,
        exact=False,
        edges=(),
        noise_low_hz=None,
        noise_high_hz=None,
        points=(),
        trials=0,
        seconds=0.0,
        trouble=trouble,
    )

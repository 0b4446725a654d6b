"""Writes and reads margins: one row each, the whole record as JSON beside the search columns.

One rule: a margin is never changed; writing it again writes the same row.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, func, select

from harness.records import CodecError, MarginKind, MarginRecord, encode, to_text
from harness.store.damage import RESTORE, read_row
from harness.store.inserts import insert_into
from harness.store.models import MarginRow

MAX_MARGINS_BEHIND = 60
"""Maximum number of earlier margins of each design and chip shown with a run."""


def put_margin(connection: Connection, margin: MarginRecord) -> None:
    """Keep one margin."""
    row = {name: getattr(margin, name) for name in _KNOWN}
    row |= {"kind": margin.kind.value, "body": to_text(encode(margin))}
    statement = insert_into(connection, MarginRow)
    connection.execute(statement.on_conflict_do_nothing(index_elements=["margin_id"]), [row])


def read_margins(
    connection: Connection, place: str, *chosen: ColumnElement[bool]
) -> tuple[MarginRecord, ...]:
    """Read margins, oldest first.

    A damaged one is read as a search that broke off; its trouble says so, with ``place``.
    """
    oldest = (MarginRow.measured, MarginRow.margin_id)
    rows = connection.execute(select(*_COLUMNS).where(*chosen).order_by(*oldest))
    return tuple(_read(row, place) for row in rows)


def about(chip: str, design: str, run_id: str) -> Iterator[ColumnElement[bool]]:
    """Choose margins by these columns; an empty text means all."""
    if chip:
        yield MarginRow.chip_serial == chip
    if design:
        yield MarginRow.design == design
    if run_id:
        yield MarginRow.run_id == run_id


def behind(run_id: str) -> Iterator[ColumnElement[bool]]:
    """Choose a run's margins, the latest of its chips, and the last one of each other chip.

    The latest are by design and kind; those of other chips are of the run's designs.
    """
    m, own = MarginRow, MarginRow.run_id == run_id
    chips, designs = (select(column).where(own) for column in (m.chip_serial, m.design))
    yield own
    yield _latest(MAX_MARGINS_BEHIND, m.chip_serial.in_(chips))
    yield _latest(1, m.design.in_(designs))


def latest_of(designs: Collection[str]) -> ColumnElement[bool]:
    """Choose the latest margin of each kind on each chip, of some designs."""
    return _latest(1, MarginRow.design.in_(designs))


def _latest(most: int, chosen: ColumnElement[bool]) -> ColumnElement[bool]:
    """Choose the latest ``most`` among some margins, by chip, design and kind."""
    place = func.row_number().over(
        partition_by=(MarginRow.chip_serial, MarginRow.design, MarginRow.kind),
        order_by=(MarginRow.measured.desc(), MarginRow.margin_id.desc()),
    )
    ranked = select(MarginRow.margin_id, place.label("n")).where(chosen).subquery()
    return MarginRow.margin_id.in_(select(ranked.c.margin_id).where(ranked.c.n <= most))


_KNOWN = ("margin_id", "run_id", "measured", "chip_serial", "design")
_COLUMNS = tuple(getattr(MarginRow, name) for name in (*_KNOWN, "kind", "body"))


def _read(row: Row[Any], place: str) -> MarginRecord:
    """Make the record; a damaged one counts as a search that broke off."""
    damaged = f"{place}: margin {row.margin_id} is damaged"
    kind = next((kind for kind in MarginKind if kind == row.kind), MarginKind.RATE)

    def stand_in(error: CodecError) -> Mapping[str, Any]:
        return {"kind": kind, "trouble": f"{damaged} ({error}); {RESTORE}"}

    return read_row(MarginRecord, row, "margin", _KNOWN, stand_in)

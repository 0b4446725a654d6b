"""Writes and reads handovers: one row each, the whole record as JSON beside the search columns.

One rule: what is kept of a board's own program is never lost; writing a handover again keeps it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select

from harness.records import CodecError, HandoverRecord, encode, to_text
from harness.store.damage import RESTORE, Unreadable, read_body, read_row
from harness.store.inserts import put_rows
from harness.store.models import HandoverRow

KNOWN = ("handover_id", "begun", "chip_serial", "board_serial")


def put_handover(connection: Connection, handover: HandoverRecord) -> None:
    """Keep a handover, over its earlier state."""
    row = {name: getattr(handover, name) for name in KNOWN} | {"body": to_text(encode(handover))}
    put_rows(connection, HandoverRow, ("handover_id",), [row])


def read_handovers(connection: Connection) -> tuple[HandoverRecord, ...]:
    """Read all handovers, oldest first; a damaged one says so as its reason."""
    columns = [getattr(HandoverRow, name) for name in (*KNOWN, "body")]
    rows = connection.execute(select(*columns).order_by(HandoverRow.begun, HandoverRow.handover_id))
    return tuple(_sound(read_row(HandoverRecord, row, "handover", KNOWN, _damaged)) for row in rows)


def _sound(record: HandoverRecord) -> HandoverRecord:
    """Return the record; one whose program has changed is damaged, so that no board gets it."""
    try:
        record.program  # noqa: B018 - raises ValueError
    except ValueError as error:
        known = {name: getattr(record, name) for name in KNOWN}
        return read_body(HandoverRecord, Unreadable(str(error)), "handover", known, _damaged)
    return record


def _damaged(error: CodecError) -> Mapping[str, Any]:
    return {"reason": f"the record of this handover is damaged ({error}); {RESTORE}"}

"""Writes and reads the continuity tests of a run's slots.

One rule: a test that is written again replaces the one of its slot.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import ColumnElement, Connection, select

from harness.records import CodecError, PinProof, PinState, SlotPins, encode, to_text
from harness.store.damage import RESTORE, read_body
from harness.store.inserts import put_rows
from harness.store.models import ChipRow, ContinuityRow


def put_continuity(connection: Connection, run_id: str, pins: SlotPins) -> None:
    """Keep the continuity test of a slot."""
    row = {"run_id": run_id, "slot": pins.slot, "body": to_text(encode(pins))}
    put_rows(connection, ContinuityRow, ("run_id", "slot"), [row])


def read_continuity(
    connection: Connection, run_id: str, *chosen: ColumnElement[bool]
) -> Iterator[SlotPins]:
    """Read continuity tests in the rack's order; a damaged one says so in place of its pins."""
    own = (ChipRow.run_id == ContinuityRow.run_id, ChipRow.slot == ContinuityRow.slot)
    rows = connection.execute(
        select(ContinuityRow.slot, ContinuityRow.body)
        .where(ContinuityRow.run_id == run_id, *own, *chosen)
        .order_by(ChipRow.position)
    )
    for slot, body in rows.all():
        yield read_body(SlotPins, body, "continuity test", {"slot": str(slot)}, _damaged)


def _damaged(error: CodecError) -> Mapping[str, Any]:
    said = f"the record of the continuity test is damaged ({error}); {RESTORE}"
    return {"pins": (PinProof(said, PinState.NOT_PROVEN, (), ""),)}

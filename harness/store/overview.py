"""A run for an overview: every verdict, and evidence only where an overview points at it.

One rule: of the kept records only the first one of each verdict of a slot is read, PASS aside; of
the others an outcome says where it belongs and its verdict, and nothing more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from harness.records import Origin, Outcome, Verdict
from harness.store.damage import verdict_of
from harness.store.models import OutcomeRow

AT_ONCE = 500
"""So many records are asked for in one statement; databases have limits."""


def read_verdicts(
    connection: Connection, run_id: str
) -> tuple[dict[str, list[Outcome]], Mapping[int, tuple[str, int]]]:
    """Read every outcome of a run by its slot, without evidence, and which ones to read whole.

    The latter by their number: slot, and place in its list.
    """
    o = OutcomeRow
    rows = connection.execute(
        select(o.number, o.slot, o.chip_serial, o.design, o.table_name, o.verdict, o.started)
        .where(o.run_id == run_id)
        .order_by(o.number)
    ).all()
    slots: dict[str, list[Outcome]] = {}
    firsts: dict[tuple[str, str], tuple[int, int]] = {}
    for number, slot, chip, design, table, verdict, started in rows:
        found = slots.setdefault(slot, [])
        if verdict != Verdict.PASS.value:
            firsts.setdefault((slot, verdict), (number, len(found)))
        found.append(bare(slot, chip, design, table, verdict_of(verdict), started))
    return slots, {number: (slot, place) for (slot, _), (number, place) in firsts.items()}


def read_bodies(connection: Connection, numbers: Sequence[int]) -> dict[int, object]:
    """Read kept records by their numbers."""
    found: dict[int, object] = {}
    for start in range(0, len(numbers), AT_ONCE):
        some = numbers[start : start + AT_ONCE]
        rows = connection.execute(
            select(OutcomeRow.number, OutcomeRow.body).where(OutcomeRow.number.in_(some))
        )
        found |= {number: body for number, body in rows}  # noqa: C416 - rows are no pairs to mypy
    return found


def bare(
    slot: str, chip: str, design: str, table: str, verdict: Verdict, started: datetime
) -> Outcome:
    """Make an outcome that says where it belongs, and nothing more."""
    own: dict[str, Any] = {
        "slot": slot,
        "chip_serial": chip,
        "design": design,
        "table": table,
        "verdict": verdict,
        "started": started,
    }
    return replace(_NOTHING, **own)


_NOTHING = Outcome(
    slot="",
    chip_serial="",
    board_serial="",
    design="",
    design_title="",
    design_address=0,
    design_source="",
    table="",
    table_file="",
    table_sha256="",
    verdict=Verdict.NOT_RUN,
    origin=Origin.UNKNOWN,
    summary="",
    advice="",
    rows=0,
    cycles=0,
    mismatches=0,
    pin_counts=(),
    evidence=(),
    window=None,
    attempts=(),
    conditions=None,
    waiver=None,
    started=datetime.min,
    seconds=0.0,
)

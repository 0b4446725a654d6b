"""Writes and reads the causes of a run's failures.

One rule: what the tool concluded is never changed; a person's decision stands beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from harness.errors import RunUnfit
from harness.records import Cause, CodecError, Overruling, decode, encode, to_text
from harness.store.damage import RESTORE, read_body
from harness.store.models import CauseRow


def put_causes(connection: Connection, run_id: str, causes: Sequence[Cause]) -> None:
    """Keep the causes of a run, in the place of earlier ones; decisions stay with their keys."""
    columns = select(CauseRow.key, CauseRow.overruled).where(CauseRow.run_id == run_id)
    decisions = {
        key: to_text(decision)
        for key, decision in connection.execute(columns)
        if isinstance(decision, dict)  # nothing is left of a damaged one
    }
    connection.execute(delete(CauseRow).where(CauseRow.run_id == run_id))
    rows = [
        {
            "run_id": run_id,
            "position": place,
            "key": cause.key,
            "body": to_text(encode(cause)),
            "overruled": decisions.get(cause.key),
        }
        for place, cause in enumerate(causes)
    ]
    if rows:
        connection.execute(insert(CauseRow), rows)


def put_overruling(
    connection: Connection, run_id: str, key: str, overruling: Overruling, place: str
) -> None:
    """Keep a decision; raises RunUnfit if the run has no such cause."""
    wanted = (CauseRow.run_id == run_id, CauseRow.key == key)
    changed = connection.execute(
        update(CauseRow).where(*wanted).values(overruled=to_text(encode(overruling)))
    )
    if not changed.rowcount:
        keys = connection.scalars(select(CauseRow.key).where(CauseRow.run_id == run_id))
        known = ", ".join(keys) or "none"
        raise RunUnfit(f"{place}: run {run_id} has no cause {key}; it has: {known}")


def read_causes(connection: Connection, run_id: str, place: str) -> tuple[Cause, ...]:
    """Read the causes of a run; a damaged one says so in its summary."""
    return tuple(_read(connection, run_id, place))


def _read(connection: Connection, run_id: str, place: str) -> Iterator[Cause]:
    rows = connection.execute(
        select(CauseRow.position, CauseRow.key, CauseRow.body, CauseRow.overruled)
        .where(CauseRow.run_id == run_id)
        .order_by(CauseRow.position)
    )
    for position, key, body, overruled in rows:
        damaged = f"{place}: run {run_id}, cause {position} is damaged"

        def stand_in(error: CodecError, damaged: str = damaged) -> Mapping[str, Any]:
            return {"summary": f"{damaged} ({error})", "advice": RESTORE}

        cause = read_body(Cause, body, "cause", {"key": str(key)}, stand_in)
        yield cause if overruled is None else _overruled(cause, overruled, damaged)


def _overruled(cause: Cause, value: Any, damaged: str) -> Cause:
    """Add a person's decision; if it is damaged, the tool's own conclusion says so."""
    try:
        return replace(cause, overruled=decode(Overruling, value, "overruled"))
    except CodecError as error:
        return replace(cause, summary=f"{cause.summary} {damaged} ({error}); {RESTORE}.")

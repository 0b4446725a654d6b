"""A run as it stands, without its evidence: cheap enough to ask for once a second.

One rule: only columns are read, and counting is left to the database; of the kept records only the
summary of each slot's latest outcome is looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, Text, case, cast, func, or_, select

from harness.records import ChipRecord, RunRecord, Verdict, to_value
from harness.store.damage import verdict_of
from harness.store.models import OutcomeRow, RunRow

_ESCAPES = ("\\u0000", "\\ud")
"""How JSON writes them; other texts that look so only take longer."""


@dataclass(frozen=True)
class LatestOutcome:
    """What a slot measured last, and when that was over."""

    design: str
    table: str
    verdict: Verdict
    summary: str
    ended: datetime


@dataclass(frozen=True)
class SlotGlance:
    """One slot of a run: its chip without outcomes, how many tables have which verdict.

    ``latest`` is None as long as nothing was measured there.
    """

    chip: ChipRecord
    counts: Mapping[Verdict, int]
    latest: LatestOutcome | None


@dataclass(frozen=True)
class Glance:
    """A run's heading, without chips, and its slots in the rack's order."""

    run: RunRecord
    slots: tuple[SlotGlance, ...]


def read_counts(connection: Connection, run_id: str) -> dict[str, dict[Verdict, int]]:
    """How many tables of each slot have which verdict."""
    rows = connection.execute(
        select(OutcomeRow.slot, OutcomeRow.verdict, func.count())
        .where(OutcomeRow.run_id == run_id)
        .group_by(OutcomeRow.slot, OutcomeRow.verdict)
    )
    counts: dict[str, dict[Verdict, int]] = {}
    for slot, verdict, count in rows:
        known = counts.setdefault(slot, {})
        known[verdict_of(verdict)] = known.get(verdict_of(verdict), 0) + count
    return counts


def read_latest(connection: Connection, run_id: str) -> dict[str, LatestOutcome]:
    """The outcome of each slot that was begun last, of those that were measured."""
    rows = connection.execute(
        select(
            *(OutcomeRow.slot, OutcomeRow.design, OutcomeRow.table_name, OutcomeRow.verdict),
            *(*_summary(), OutcomeRow.started, OutcomeRow.seconds),
        ).where(OutcomeRow.number.in_(_latest_numbers(connection, run_id)))
    )
    return {
        slot: LatestOutcome(
            design,
            table,
            verdict_of(verdict),
            to_value(whole)["summary"] if whole is not None else summary or "",
            started + timedelta(seconds=seconds),
        )
        for slot, design, table, verdict, summary, whole, started, seconds in rows
    }


def _summary() -> tuple[ColumnElement[str | None], ColumnElement[str | None]]:
    """Select a summary from its record, or the record if it may hold what a database cannot read.

    That is a NUL, and half of a surrogate pair: JSON has both, the texts of a database do not.
    """
    whole = cast(OutcomeRow.body, Text())
    odd = or_(*(whole.contains(escape, autoescape=True) for escape in _ESCAPES))
    summary = OutcomeRow.body["summary"].as_string()
    return case((odd, None), else_=summary), case((odd, whole), else_=None)


def _latest_numbers(connection: Connection, run_id: str) -> Sequence[int]:
    """Number of each slot's latest outcome.

    Asked for on its own, and without a join: a server that has not looked at the new rows yet
    may plan a join so badly that it takes minutes.
    """
    newest = (OutcomeRow.started.desc(), OutcomeRow.number.desc())
    place = func.row_number().over(partition_by=OutcomeRow.slot, order_by=newest)
    ranked = (
        select(OutcomeRow.number, place.label("place"))
        .where(OutcomeRow.run_id == run_id, OutcomeRow.verdict != Verdict.NOT_RUN.value)
        .subquery()
    )
    return connection.scalars(select(ranked.c.number).where(ranked.c.place == 1)).all()


def read_racks(connection: Connection) -> tuple[str, ...]:
    """Names of all racks that ever ran, the one that ran last first."""
    latest = func.max(RunRow.started)
    return tuple(
        connection.scalars(select(RunRow.rack).group_by(RunRow.rack).order_by(latest.desc()))
    )

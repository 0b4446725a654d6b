"""A run as it stands, without its evidence: cheap enough to ask for once a second.

One rule: counting is left to the database; of the kept records only each slot's latest outcome is
looked at.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select

from harness.records import ChipHeading, Outcome, RunHeading, Verdict
from harness.store.damage import verdict_of
from harness.store.models import OutcomeRow, RunRow
from harness.store.records import read_chips, read_heading, read_outcomes


@dataclass(frozen=True)
class SlotGlance:
    """One slot of a run: its chip, and how many tables have which verdict.

    ``for_chip`` are the verdicts that count for the chip, see :attr:`Outcome.counts`. ``latest`` is
    the latest outcome that was measured, and ``wrong`` the first one that is neither PASS nor
    WAIVED; None if there is none yet.
    """

    chip: ChipHeading
    counts: Mapping[Verdict, int]
    for_chip: frozenset[Verdict]
    latest: Outcome | None
    wrong: Outcome | None = None


@dataclass(frozen=True)
class Glance:
    """A run's heading, and its slots in the rack's order."""

    run: RunHeading
    slots: tuple[SlotGlance, ...]


def read_glance(connection: Connection, run_id: str, place: str) -> Glance:
    """Read the state of a run; raises RunUnfit if there is none."""
    heading = read_heading(connection, run_id, place)
    o = OutcomeRow
    newest, oldest = (o.started.desc(), o.number.desc()), (o.started, o.number)
    measured = o.verdict != Verdict.NOT_RUN.value
    bad = o.verdict.in_(v.value for v in (Verdict.FAIL, Verdict.UNSTABLE, Verdict.ERROR))
    latest = _read_firsts(connection, run_id, place, measured, newest)
    wrong = _read_firsts(connection, run_id, place, bad, oldest)
    rows = connection.execute(
        select(o.slot, o.verdict, o.counts, func.count())
        .where(o.run_id == run_id)
        .group_by(o.slot, o.verdict, o.counts)
    )
    counts: dict[str, Counter[Verdict]] = defaultdict(Counter)
    for_chip: dict[str, set[Verdict]] = defaultdict(set)
    for slot, word, counting, number in rows:
        counts[slot][verdict_of(word)] += number
        if counting:
            for_chip[slot].add(verdict_of(word))
    slots = tuple(
        SlotGlance(
            chip,
            counts[chip.slot],
            frozenset(for_chip[chip.slot]),
            latest.get(chip.slot),
            wrong.get(chip.slot),
        )
        for chip in read_chips(connection, run_id)
    )
    return Glance(heading, slots)


def _read_firsts(
    connection: Connection,
    run_id: str,
    place: str,
    which: ColumnElement[bool],
    order: tuple[Any, ...],
) -> dict[str, Outcome]:
    """Read the first of each slot's outcomes, in an order.

    Their numbers are a query of its own, without a join: a server without statistics of the new
    rows may plan a join so badly that it takes minutes.
    """
    rank = func.row_number().over(partition_by=OutcomeRow.slot, order_by=order)
    ranked = (
        select(OutcomeRow.number, rank.label("n"))
        .where(OutcomeRow.run_id == run_id, which)
        .subquery()
    )
    numbers = connection.scalars(select(ranked.c.number).where(ranked.c.n == 1)).all()
    first = OutcomeRow.number.in_(numbers)
    return {o.slot: o for _, o in read_outcomes(connection, run_id, place, first)}


def read_racks(connection: Connection) -> tuple[str, ...]:
    """Read the names of all racks that ever ran, the latest first."""
    latest = func.max(RunRow.started)
    return tuple(
        connection.scalars(select(RunRow.rack).group_by(RunRow.rack).order_by(latest.desc()))
    )

"""What many nights say about a chip, a design or a slot: queries that only indices answer.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR and NOT RUN are
counted beside it, and neither makes or ends a change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, case, func, select
from sqlalchemy.orm import Session

from harness.judge import Verdict
from harness.store.models import OutcomeRow, RunRow
from harness.store.wilson import PassRate, pass_rate

Selection = ColumnElement[bool]
"""Which outcomes a history is about: made by ``of_chip``, ``of_design`` or ``of_slot``."""

_UNJUDGED = (Verdict.ERROR.value, Verdict.NOT_RUN.value)
_KEY = (OutcomeRow.chip_serial, OutcomeRow.design, OutcomeRow.table_name)


@dataclass(frozen=True)
class HistoryLine:
    """One table on one chip through all nights that were asked for.

    ``verdict`` is the latest of those that judged the chip, in force without a change since
    ``last_changed``; ``untested`` counts the ERROR and NOT RUN beside them. A table that was
    never judged has no verdict and no change.
    """

    chip_serial: str
    design: str
    table: str
    first_seen: datetime
    last_seen: datetime
    last_changed: datetime | None
    verdict: Verdict | None
    rate: PassRate
    untested: int


@dataclass(frozen=True)
class HistoryNight:
    """One run: how many tables got which verdict. A verdict that did not occur is not there."""

    run_id: str
    started: datetime
    counts: Mapping[Verdict, int]


@dataclass(frozen=True)
class History:
    """What was asked for, table by table and night by night."""

    lines: tuple[HistoryLine, ...]
    nights: tuple[HistoryNight, ...]


def of_chip(serial: str) -> Selection:
    """Outcomes of one chip."""
    return OutcomeRow.chip_serial == serial


def of_design(name: str) -> Selection:
    """Outcomes of one design."""
    return OutcomeRow.design == name


def of_slot(rack: str, slot: str) -> Selection:
    """Outcomes in one slot of one rack."""
    runs = select(RunRow.run_id).where(RunRow.rack == rack)
    return (OutcomeRow.slot == slot) & OutcomeRow.run_id.in_(runs)


def read_lines(session: Session, which: Selection) -> tuple[HistoryLine, ...]:
    """One line per chip and table, sorted by chip, design and table."""
    found = {tuple(row[:3]): row[3:] for row in session.execute(_judged(which))}
    silent = {tuple(row[:3]): row[3:] for row in session.execute(_unjudged(which))}
    return tuple(
        _line(key, found.get(key), silent.get(key)) for key in sorted(found.keys() | silent.keys())
    )


def read_nights(session: Session, which: Selection) -> tuple[HistoryNight, ...]:
    """One entry per run that has such outcomes, oldest first."""
    counted = (
        select(OutcomeRow.run_id, OutcomeRow.verdict, func.count().label("count"))
        .where(which)
        .group_by(OutcomeRow.run_id, OutcomeRow.verdict)
        .subquery()
    )
    rows = session.execute(
        select(RunRow.run_id, RunRow.started, counted.c.verdict, counted.c.count)
        .join(counted, counted.c.run_id == RunRow.run_id)
        .order_by(RunRow.started, RunRow.run_id)
    )
    nights: dict[tuple[str, datetime], dict[Verdict, int]] = {}
    for run_id, started, verdict, count in rows:
        nights.setdefault((run_id, started), {})[Verdict(verdict)] = count
    return tuple(HistoryNight(*key, counts) for key, counts in nights.items())


def _judged(which: Selection) -> Select[*tuple[Any, ...]]:
    """First, last and last changed night, latest verdict, passes and tests of each table."""
    before = func.lag(OutcomeRow.verdict).over(partition_by=_KEY, order_by=OutcomeRow.started)
    after = func.lead(OutcomeRow.verdict).over(partition_by=_KEY, order_by=OutcomeRow.started)
    rows = (
        select(
            *_KEY,
            OutcomeRow.started,
            OutcomeRow.verdict,
            before.label("before"),
            after.label("after"),
        )
        .where(which, OutcomeRow.verdict.not_in(_UNJUDGED))
        .subquery()
    )
    column = rows.c
    changed = column.before.is_(None) | (column.before != column.verdict)
    return select(
        *(column.chip_serial, column.design, column.table_name),
        func.min(column.started),
        func.max(column.started),
        func.max(case((changed, column.started))),
        func.max(case((column.after.is_(None), column.verdict))),
        func.sum(case((column.verdict == Verdict.PASS.value, 1), else_=0)),
        func.count(),
    ).group_by(column.chip_serial, column.design, column.table_name)


def _unjudged(which: Selection) -> Select[*tuple[Any, ...]]:
    return (
        select(*_KEY, func.min(OutcomeRow.started), func.max(OutcomeRow.started), func.count())
        .where(which, OutcomeRow.verdict.in_(_UNJUDGED))
        .group_by(*_KEY)
    )


def _line(key: Any, judged: Any, unjudged: Any) -> HistoryLine:
    """Put both halves together; at least one of them is there."""
    seen = [half for half in (judged, unjudged) if half is not None]
    changed, verdict, passes, tested = judged[2:] if judged is not None else (None, None, 0, 0)
    chip_serial, design, table = key
    return HistoryLine(
        chip_serial=chip_serial,
        design=design,
        table=table,
        first_seen=min(half[0] for half in seen),
        last_seen=max(half[1] for half in seen),
        last_changed=changed,
        verdict=Verdict(verdict) if verdict else None,
        rate=pass_rate(int(passes), int(tested)),
        untested=unjudged[2] if unjudged is not None else 0,
    )

"""Rows of the store from records, and records from rows.

One rule: a record that is read equals the one that was kept; a body that does not fit is reported
as damaged, with its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime
from functools import partial
from itertools import product
from typing import Any, TypeVar, get_type_hints

from sqlalchemy import ColumnElement, Connection, Select, func, literal, select, tuple_
from sqlalchemy.orm import InstrumentedAttribute

from harness.errors import RunUnfit
from harness.grouping import grouped
from harness.records import (
    ChipHeading,
    ChipOfRun,
    ChipOverview,
    ChipRecord,
    CodecError,
    DesignOfRun,
    Outcome,
    Reason,
    RunHeading,
    RunKind,
    RunOverview,
    RunRecord,
    TableVerdict,
    Verdict,
    encode,
    firsts_of,
    to_text,
)
from harness.store.causes import read_causes
from harness.store.continuity import read_continuity
from harness.store.damage import read_body, verdict_of
from harness.store.inserts import Row
from harness.store.models import NEWEST, Base, ChipRow, ContinuityRow, OutcomeRow, RunRow
from harness.store.undisturbed import undisturbed

ALWAYS = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
"""A range of time without bounds."""

Heading = TypeVar("Heading", RunHeading, ChipHeading)

VISIBLE_NUL = "\u2400"


def run_row(run: RunHeading) -> Row:
    """Columns of a run's heading."""
    return _columns(RunHeading, run)


def is_begun(connection: Connection, run: RunHeading) -> bool:
    """Tell whether this very heading is there: its commit succeeded and the answer was lost."""
    wanted = run_row(run)
    row = connection.execute(
        select(*(getattr(RunRow, name) for name in wanted)).where(RunRow.run_id == run.run_id)
    ).first()
    return row is not None and dict(row._mapping) == wanted  # noqa: SLF001 - a public name


def chip_row(chip: ChipHeading) -> Row:
    """Columns of a chip, but for its run and its position in it.

    What a board reports of itself may hold a NUL, which no column of a server takes: it is shown.
    """
    return {
        name: value.replace("\0", VISIBLE_NUL) if isinstance(value, str) else value
        for name, value in _columns(ChipHeading, chip).items()
    }


def outcome_rows(run_id: str, outcomes: Iterable[Outcome]) -> list[Row]:
    """Columns of outcomes of one run."""
    with undisturbed():
        return [_outcome_row(run_id, outcome) for outcome in outcomes]


def _outcome_row(run_id: str, outcome: Outcome) -> Row:
    return {
        "run_id": run_id,
        "slot": outcome.slot,
        "chip_serial": outcome.chip_serial,
        "design": outcome.design,
        "table_name": outcome.table,
        "table_sha256": outcome.table_sha256,
        "verdict": outcome.verdict.value,
        "counts": outcome.counts,
        "mismatches": outcome.mismatches,
        "started": outcome.started,
        "seconds": outcome.seconds,
        "body": to_text(encode(outcome)),
    }


def read_headings(
    connection: Connection, run_ids: Sequence[str] | Select[Any]
) -> tuple[RunHeading, ...]:
    """Read these runs, newest first."""
    return _read(connection, RunHeading, RunRow, RunRow.run_id.in_(run_ids), NEWEST)


def read_heading(connection: Connection, run_id: str, place: str) -> RunHeading:
    """Read the heading of a run; raises RunUnfit if there is none."""
    headings = read_headings(connection, [run_id])
    if not headings:
        raise unknown_run(connection, run_id, place)
    return headings[0]


def unknown_run(connection: Connection, run_id: str, place: str) -> RunUnfit:
    """Say that no run of this name is kept."""
    known = read_run_ids(connection)
    latest = f"the latest is {known[-1]}" if known else "none is kept yet"
    return RunUnfit(f"{place}: no run {run_id} is kept here; {latest}")


def read_run_ids(
    connection: Connection, since: datetime = ALWAYS[0], until: datetime = ALWAYS[1]
) -> tuple[str, ...]:
    """Read the names of the runs that began in a range, oldest first."""
    began = RunRow.started >= since, RunRow.started < until
    oldest = RunRow.started, RunRow.run_id
    return tuple(connection.scalars(select(RunRow.run_id).where(*began).order_by(*oldest)))


def read_chips(connection: Connection, run_id: str) -> tuple[ChipHeading, ...]:
    """Read who answered in a run, in the rack's order."""
    of_run = ChipRow.run_id == run_id
    return _read(connection, ChipHeading, ChipRow, of_run, (ChipRow.position,))


def read_run(connection: Connection, run_id: str, place: str) -> RunRecord:
    """Read a run whole; raises RunUnfit if there is none.

    An outcome whose body is damaged is an ERROR that says so.
    """
    heading = read_heading(connection, run_id, place)
    with undisturbed():
        outcomes = grouped((o.slot, o) for _, o in read_outcomes(connection, run_id, place))
    chips = tuple(
        ChipRecord(**vars(chip), outcomes=tuple(outcomes.get(chip.slot, ())))
        for chip in read_chips(connection, run_id)
    )
    return RunRecord(
        **vars(heading),
        chips=chips,
        causes=read_causes(connection, run_id, place),
        continuity=tuple(read_continuity(connection, run_id)),
    )


def read_chip(connection: Connection, run_id: str, slot: str, place: str) -> ChipOfRun:
    """Read one chip of a run, as :func:`read_run` does; raises RunUnfit if there is none."""
    heading = read_heading(connection, run_id, place)
    chips = read_chips(connection, run_id)
    mine = next((chip for chip in chips if chip.slot == slot), None)
    if mine is None:
        raise RunUnfit(f"{place}: run {run_id} has no slot {slot}")
    own = OutcomeRow.slot == slot
    outcomes = tuple(o for _, o in read_outcomes(connection, run_id, place, own))
    return ChipOfRun(
        **vars(heading),
        chips=chips,
        not_passed=_not_passed(connection, run_id, chips),
        chip=ChipRecord(**vars(mine), outcomes=outcomes),
        causes=read_causes(connection, run_id, place),
        continuity=tuple(read_continuity(connection, run_id, ContinuityRow.slot == slot)),
    )


def _not_passed(
    connection: Connection, run_id: str, chips: Sequence[ChipHeading]
) -> tuple[str, ...]:
    """Read which slots of a run have a verdict that is not good."""
    o = OutcomeRow
    kept = select(o.slot, o.verdict).where(o.run_id == run_id, o.counts).distinct()
    verdicts = grouped((slot, verdict_of(word)) for slot, word in connection.execute(kept))
    worst = {chip.slot: chip.worst(verdicts.get(chip.slot, ())) for chip in chips}
    return tuple(slot for slot, verdict in worst.items() if not verdict.good)


def read_designs(connection: Connection, run_id: str) -> tuple[str, ...]:
    """Read which designs a run has, in its order."""
    o = OutcomeRow
    first = func.min(o.number)
    kept = select(o.design).where(o.run_id == run_id).group_by(o.design).order_by(first)
    return tuple(connection.scalars(kept))


def read_design(connection: Connection, run_id: str, design: str, place: str) -> DesignOfRun:
    """Read one design of a run on all chips; raises RunUnfit if there is no such run."""
    overview = read_overview(connection, run_id, place)
    own = OutcomeRow.design == design
    outcomes = grouped((o.slot, o) for _, o in read_outcomes(connection, run_id, place, own))
    whole = tuple(o for chip in overview.chips for o in outcomes.get(chip.slot, ()))
    return DesignOfRun(**vars(overview), design=design, outcomes=whole)


def read_beside(
    connection: Connection, run_id: str, place: str
) -> tuple[RunHeading | None, RunHeading | None]:
    """Read the runs of the same kind of the same rack that began before and after a run.

    Raises RunUnfit if there is no such run.
    """
    run = read_heading(connection, run_id, place)
    when, name = RunRow.started, RunRow.run_id
    here = tuple_(literal(run.started, when.type), literal(run.run_id))
    same = (RunRow.rack == run.rack, RunRow.kind == run.kind)
    sides = (
        select(name).where(*same, tuple_(when, name) < here).order_by(when.desc(), name.desc()),
        select(name).where(*same, tuple_(when, name) > here).order_by(when, name),
    )
    before, after = (read_headings(connection, side.limit(1)) for side in sides)
    return next(iter(before), None), next(iter(after), None)


def read_overview(connection: Connection, run_id: str, place: str) -> RunOverview:
    """Read a run for an overview; raises RunUnfit if there is none.

    Damaged bodies are as in :func:`read_run`, among those that are read.
    """
    heading = read_heading(connection, run_id, place)
    o = OutcomeRow
    with undisturbed():
        rows = connection.execute(
            select(o.number, o.slot, o.design, o.table_name, o.verdict, o.counts)
            .where(o.run_id == run_id)
            .order_by(o.number)
        ).all()
        firsts: dict[tuple[str, str, bool], int] = {}
        for number, slot, _, _, word, counts in rows:
            if word != Verdict.PASS.value:
                firsts.setdefault((slot, word, bool(counts)), number)
        first = o.number.in_(firsts.values())
        whole = dict(read_outcomes(connection, run_id, place, first))
        if any(whole[number].verdict != word for (_, word, _), number in firsts.items()):
            # a damaged one is an ERROR, so the first of its verdict is another one
            not_passed = o.verdict != Verdict.PASS.value
            whole = dict(read_outcomes(connection, run_id, place, not_passed))
        tables: dict[str, list[TableVerdict]] = {}
        for number, slot, design, table, word, counts in rows:
            kept = whole.get(number)
            verdict, counted = (
                (kept.verdict, kept.counts) if kept else (verdict_of(word), bool(counts))
            )
            tables.setdefault(slot, []).append(TableVerdict(design, table, verdict, counted))
    chips = tuple(
        ChipOverview(
            **vars(chip),
            tables=tuple(tables.get(chip.slot, ())),
            firsts=firsts_of(one for one in whole.values() if one.slot == chip.slot),
        )
        for chip in read_chips(connection, run_id)
    )
    return RunOverview(
        **vars(heading),
        chips=chips,
        causes=read_causes(connection, run_id, place),
        continuity=tuple(read_continuity(connection, run_id)),
    )


def read_outcomes(
    connection: Connection, run_id: str, place: str, *chosen: ColumnElement[bool]
) -> Iterator[tuple[int, Outcome]]:
    """Read outcomes of a run in their order, with their numbers; a damaged one is an ERROR."""
    o = OutcomeRow
    rows = connection.execute(
        select(o.number, o.body, o.slot, o.chip_serial, o.design, o.table_name, o.started)
        .where(o.run_id == run_id, *chosen)
        .order_by(o.number)
    ).all()
    for number, body, slot, chip, design, table, started in rows:
        known = {
            "slot": str(slot),
            "chip_serial": str(chip),
            "design": str(design),
            "table": str(table),
            "started": started,
        }
        stand_in = partial(_damaged, f"{place}: run {run_id}, outcome {number}")
        yield number, read_body(Outcome, body, "outcome", known, stand_in)


def _damaged(where: str, error: CodecError) -> Mapping[str, Any]:
    return {
        "verdict": Verdict.ERROR,
        "reason": Reason.RECORD_DAMAGED,
        "provisional": Reason.RECORD_DAMAGED,
        "summary": f"{where} is damaged ({error}), so this table has no result",
        "advice": Reason.RECORD_DAMAGED.advice,
    }


def _read(
    connection: Connection,
    kind: type[Heading],
    model: type[Base],
    chosen: ColumnElement[bool],
    order: Sequence[ColumnElement[Any] | InstrumentedAttribute[Any]],
) -> tuple[Heading, ...]:
    """Make headings of rows; raises TypeError for a value that SQLite kept as another kind."""
    hints = get_type_hints(kind)
    names = [field.name for field in fields(kind)]
    columns = [getattr(model, name) for name in names]
    rows = connection.execute(select(*columns).where(chosen).order_by(*order))
    headings = [dict(zip(names, row, strict=True)) for row in rows]
    for row, name in product(headings, names):
        if hints[name] is RunKind:
            row[name] = RunKind(row[name])
        if not isinstance(row[name], hints[name]):
            raise TypeError(
                f"{name} is not of type {getattr(hints[name], '__name__', hints[name])}"
            )
    return tuple(kind(**row) for row in headings)


def _columns(kind: type[RunHeading | ChipHeading], record: RunHeading | ChipHeading) -> Row:
    return {field.name: getattr(record, field.name) for field in fields(kind)}

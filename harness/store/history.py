"""What many nights say about a chip, a design or a slot: read from summaries.

One rule: a verdict counts towards a pass rate only if the chip was judged. ERROR and NOT RUN are
counted beside it, and neither makes or ends a change.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
from sqlalchemy import ColumnElement, Connection, select

from harness.judge import Verdict
from harness.store.models import LayoutRow, NightRow, OutcomeRow, RunRow, SubjectRow
from harness.store.summaries import LETTERS, Entry, Kind, Selection, Summary
from harness.store.wilson import PassRate, pass_rate

_VERDICTS = {ord(letter): verdict for verdict, letter in LETTERS.items()}
_PASS = ord(LETTERS[Verdict.PASS])
_UNJUDGED = [ord(LETTERS[verdict]) for verdict in (Verdict.ERROR, Verdict.NOT_RUN)]

Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True)
class HistoryLine:
    """One table on one chip through all nights that were asked for.

    The moments are starts of runs, those of :class:`HistoryNight`. ``verdict`` is the latest of
    those that judged the chip, in force without a change since ``last_changed``; ``untested``
    counts the ERROR and NOT RUN beside them. A table that was never judged has no verdict and no
    change.
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
    return Selection(Kind.CHIP, "", serial)


def of_design(name: str) -> Selection:
    """Outcomes of one design."""
    return Selection(Kind.DESIGN, "", name)


def of_slot(rack: str, slot: str) -> Selection:
    """Outcomes in one slot of one rack."""
    return Selection(Kind.SLOT, rack, slot)


def read_history(connection: Connection, which: Selection) -> History:
    """Read every night of a subject: summaries, and outcomes of runs that have none yet."""
    nights = sorted(
        (*_summarised(connection, which), *_unsummarised(connection, which)),
        key=lambda night: (night.started, night.run_id),
    )
    return History(
        tuple(_lines(nights)),
        tuple(HistoryNight(night.run_id, night.started, _counts(night)) for night in nights),
    )


@dataclass(frozen=True)
class _Night:
    """One run's summary of the subject."""

    run_id: str
    started: datetime
    entries: Sequence[Entry]
    letters: str


def _summarised(connection: Connection, which: Selection) -> Iterator[_Night]:
    subject = connection.scalar(
        select(SubjectRow.number).where(
            SubjectRow.kind == which.kind.value,
            SubjectRow.rack == which.rack,
            SubjectRow.name == which.name,
        )
    )
    of_subject = NightRow.subject == subject
    used = select(NightRow.layout).where(of_subject).distinct()
    texts = connection.execute(
        select(LayoutRow.number, LayoutRow.entries).where(LayoutRow.number.in_(used))
    )
    layouts = {number: [(c, d, t) for c, d, t in json.loads(text)] for number, text in texts}
    rows = connection.execute(
        select(RunRow.run_id, RunRow.started, NightRow.layout, NightRow.verdicts)
        .join(NightRow, NightRow.run_id == RunRow.run_id)
        .where(of_subject, RunRow.summarised)
    )
    for run_id, started, layout, letters in rows:
        yield _Night(run_id, started, layouts[layout], letters)


def _unsummarised(connection: Connection, which: Selection) -> Iterator[_Night]:
    """Read runs that are under way, were killed a short while ago, or changed afterwards."""
    o = OutcomeRow
    runs = connection.execute(select(RunRow.run_id, RunRow.started).where(~RunRow.summarised)).all()
    for run_id, started in runs:
        rows = connection.execute(
            select(o.slot, o.chip_serial, o.design, o.table_name, o.verdict).where(
                o.run_id == run_id, *_outcomes_of(which, run_id)
            )
        )
        found = Summary([], [])
        for _, chip, design, table, verdict in sorted(tuple(row) for row in rows):
            found.add((chip, design, table), verdict)
        if found.entries:
            yield _Night(run_id, started, found.entries, "".join(found.letters))


def _outcomes_of(which: Selection, run_id: str) -> Iterator[ColumnElement[bool]]:
    """Narrow the outcomes of a run to a subject."""
    match which.kind:
        case Kind.CHIP:
            yield OutcomeRow.chip_serial == which.name
        case Kind.DESIGN:
            yield OutcomeRow.design == which.name
        case Kind.SLOT:
            yield OutcomeRow.slot == which.name
            rack = select(RunRow.rack).where(RunRow.run_id == run_id).scalar_subquery()
            yield rack == which.rack


def _counts(night: _Night) -> dict[Verdict, int]:
    counts = {verdict: night.letters.count(letter) for verdict, letter in LETTERS.items()}
    return {verdict: count for verdict, count in counts.items() if count}


def _lines(nights: Sequence[_Night]) -> Iterator[HistoryLine]:
    """One line per chip and table, sorted by chip, design and table."""
    if not nights:
        return
    entries, columns = _columns(nights)
    sizes = [len(column) for column in columns]
    code = np.frombuffer("".join(n.letters for n in nights).encode("ascii"), np.uint8)
    line = np.concatenate(columns)
    night = np.repeat(np.arange(len(nights)), sizes)
    order = np.argsort(line, kind="stable")
    line, night, code = line[order], night[order], code[order]
    judged = ~np.isin(code, _UNJUDGED)
    bounds = _bounds(line, len(entries))
    judged_bounds = _bounds(line[judged], len(entries))
    changes = _last_changes(code[judged], judged_bounds)
    passes = np.concatenate(([0], np.cumsum(code[judged] == _PASS)))
    judged_night, judged_code = night[judged], code[judged]
    for number in sorted(range(len(entries)), key=entries.__getitem__):
        first, end = bounds[number], bounds[number + 1]
        begin, stop = judged_bounds[number], judged_bounds[number + 1]
        tested = int(stop - begin)
        chip_serial, design, table = entries[number]
        yield HistoryLine(
            chip_serial=chip_serial,
            design=design,
            table=table,
            first_seen=nights[night[first]].started,
            last_seen=nights[night[end - 1]].started,
            last_changed=nights[judged_night[changes[number]]].started if tested else None,
            verdict=_VERDICTS[int(judged_code[stop - 1])] if tested else None,
            rate=pass_rate(int(passes[stop] - passes[begin]), tested),
            untested=int(end - first) - tested,
        )


def _columns(nights: Sequence[_Night]) -> tuple[list[Entry], list[Numbers]]:
    """Number the entries of all nights; for each night, the numbers of its own in order.

    Nights of one layout share their sequence, so it is looked through once.
    """
    numbers: dict[Entry, int] = {}
    seen: dict[int, Numbers] = {}
    for night in nights:
        if id(night.entries) not in seen:
            found = [numbers.setdefault(entry, len(numbers)) for entry in night.entries]
            seen[id(night.entries)] = np.array(found, np.int64)
    return list(numbers), [seen[id(night.entries)] for night in nights]


def _bounds(line: Numbers, lines: int) -> Numbers:
    """Return where each line begins in the sorted numbers, and at the end where the last ends."""
    return np.searchsorted(line, np.arange(lines + 1))


def _last_changes(code: npt.NDArray[np.uint8], bounds: Numbers) -> Numbers:
    """Return for each line where its verdict last became another; unused for an empty line."""
    if not len(code):
        return np.zeros(len(bounds), np.int64)
    changed = np.concatenate(([True], code[1:] != code[:-1]))
    changed[bounds[:-1][bounds[:-1] < len(code)]] = True
    latest = np.maximum.accumulate(np.where(changed, np.arange(len(code)), 0))
    return latest[np.maximum(bounds[1:] - 1, 0)]

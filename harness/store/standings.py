"""How every subject and every rack did: one line each, from all summaries in one pass.

One rule: a subject's letter in a run is the worst of its tables, so a run in which a table failed
counts against it, and one in which none failed but some were not tested counts as untested. What is
a table's or design's is left out of chips and slots, and counts for the rack.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from sqlalchemy import Connection, select

from harness.records import Verdict, worst
from harness.store.history import HistoryRun, history_run, searched_subjects
from harness.store.lines import STRIP_RUNS, Standing, standing_of, worst_letter
from harness.store.models import ChipRow, NightRow, RunRow, SubjectRow
from harness.store.summaries import LETTERS, Selection, SubjectKind, summaries

TREND_RUNS = 60
"""Number of a rack's latest runs in its trend."""


@dataclass(frozen=True)
class SubjectStanding:
    """A chip, design or slot with its standing; None if it has margins and no runs."""

    subject: Selection
    standing: Standing | None


@dataclass(frozen=True)
class RackTrend:
    """The latest :data:`TREND_RUNS` runs of a rack, oldest first, with the counts of all slots."""

    rack: str
    runs: tuple[HistoryRun, ...]


@dataclass(frozen=True)
class Standings:
    """All subjects, sorted, and all racks, the one that ran last first."""

    subjects: tuple[SubjectStanding, ...]
    racks: tuple[RackTrend, ...]


@dataclass(frozen=True)
class _Run:
    """A run, and its place among all, oldest first."""

    place: int
    run_id: str
    started: datetime
    kind: str
    rack: str


def read_standings(connection: Connection) -> Standings:
    """Read every subject's letter in every run, and count those of racks."""
    r = RunRow
    rows = connection.execute(
        select(r.run_id, r.started, r.kind, r.rack, r.summarised).order_by(r.started, r.run_id)
    ).all()
    runs = {row.run_id: _Run(n, *row[:4]) for n, row in enumerate(rows)}
    unsummarised = [row.run_id for row in rows if not row.summarised]
    letters: dict[Selection, dict[int, str]] = defaultdict(dict)
    racks: dict[str, dict[int, str]] = defaultdict(lambda: defaultdict(str))
    for subject, run_id, text in _texts(connection, unsummarised):
        place = runs[run_id].place
        letters[subject][place] = worst_letter(text)
        if subject.kind is SubjectKind.SLOT:
            racks[subject.rack][place] += text.upper()  # a wrong design is the rack's
    ordered = tuple(runs.values())

    @cache
    def latest(racks: frozenset[str]) -> tuple[int, ...]:
        """Give the places of the latest :data:`STRIP_RUNS` runs of some racks."""
        return tuple(run.place for run in ordered if run.rack in racks)[-STRIP_RUNS:]

    standings = {one: _standing(own, ordered, latest) for one, own in letters.items()}
    subjects = sorted(letters.keys() | searched_subjects(connection))
    return Standings(
        tuple(SubjectStanding(one, standings.get(one)) for one in subjects),
        tuple(_trend(rack, racks[rack], ordered) for rack in _latest_first(racks)),
    )


def read_verdicts(connection: Connection, run_ids: Collection[str]) -> dict[str, Verdict]:
    """Read the worst verdict on a chip in each run that has summaries."""
    n, c = NightRow, ChipRow
    slots = select(SubjectRow.number).where(SubjectRow.kind == SubjectKind.SLOT.value)
    letters = connection.execute(
        select(n.run_id, n.verdicts)
        .join(RunRow, RunRow.run_id == n.run_id)
        .where(RunRow.summarised, n.subject.in_(slots), n.run_id.in_(run_ids))
    )
    found: dict[str, set[Verdict]] = defaultdict(set)
    for run_id, text in letters:
        found[run_id] |= {verdict for verdict, letter in LETTERS.items() if letter in text}
    for run_id in connection.scalars(
        select(c.run_id).where(c.trouble != "", c.run_id.in_(list(found))).distinct()
    ):
        found[run_id].add(Verdict.ERROR)
    return {run_id: worst(verdicts) for run_id, verdicts in found.items()}


def _texts(
    connection: Connection, unsummarised: Sequence[str]
) -> Iterator[tuple[Selection, str, str]]:
    """Give each subject's letters in each run; there is at least one."""
    s = SubjectRow
    numbers = {
        number: Selection(SubjectKind(kind), rack, name)
        for number, kind, rack, name in connection.execute(select(s.number, s.kind, s.rack, s.name))
    }
    others = set(unsummarised)
    wanted = select(NightRow.subject, NightRow.run_id, NightRow.verdicts)
    for number, run_id, text in connection.execute(wanted):
        if run_id not in others:
            yield numbers[number], run_id, text
    for run_id in unsummarised:
        for subject, summary in summaries(connection, run_id).items():
            yield subject, run_id, "".join(summary.letters)


def _standing(
    letters: Mapping[int, str],
    runs: Sequence[_Run],
    latest: Callable[[frozenset[str]], Sequence[int]],
) -> Standing:
    """Work out a standing; ``latest`` gives the runs in which racks could have had a subject."""
    places = sorted(letters)
    racks = frozenset(runs[place].rack for place in places)
    return standing_of(
        "".join(letters[place] for place in places),
        [runs[place].started for place in places],
        [letters.get(place, "") for place in latest(racks)],
    )


def _latest_first(racks: Mapping[str, Mapping[int, str]]) -> list[str]:
    return sorted(racks, key=lambda rack: max(racks[rack]), reverse=True)


def _trend(rack: str, texts: Mapping[int, str], runs: Sequence[_Run]) -> RackTrend:
    latest = (runs[place] for place in sorted(texts)[-TREND_RUNS:])
    return RackTrend(
        rack, tuple(history_run(r.run_id, r.started, r.kind, texts[r.place]) for r in latest)
    )

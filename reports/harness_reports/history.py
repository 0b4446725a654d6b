"""Histories of a chip, a design or a slot: what their pages show, worked out before rendering.

The one rule: a page grows with its tables plus its runs, never with their product; each table is
one line and each run one mark.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from harness.errors import many
from harness.records import SEVERITY_ORDER, MarginRecord, RunKind, Verdict
from harness.store import (
    History,
    HistoryLine,
    HistoryRun,
    Selection,
    Store,
    SubjectKind,
    of_chip,
    of_design,
)
from harness_reports.handovers import wakes_text
from harness_reports.looks import Look, look
from harness_reports.margin_history import MarginHistory, build_margins
from harness_reports.standings import NO_SERIAL, above_histories, in_strips, urgency
from harness_reports.texts import counts_text, coverages_text, day, minute, month
from harness_reports.ways import Anchor, Links, Ways

MAX_SHOWN_RUNS = 30
"""Maximum number of the latest runs that are also listed with their counts."""


@dataclass(frozen=True)
class HistoryPage:
    """The page of one chip, design or slot. ``intakes`` is how many of its runs are intakes.

    ``remarks`` say what the headline's numbers leave out; ``judged`` stands above the verdicts of
    all tables. ``lines`` are the tables, each with its names; ``months`` (UTC, as ``2026-06``) and
    ``latest`` hold the runs.
    """

    kind: str
    title: str
    headline: str
    remarks: tuple[str, ...]
    judged: str
    what: str
    lines: tuple[tuple[HistoryLine, tuple[Anchor, ...]], ...]
    months: tuple[tuple[str, tuple[HistoryRun, ...]], ...]
    legend: tuple[Look, ...]
    strip_legend: tuple[Verdict, ...]
    intakes: int
    latest: tuple[HistoryRun, ...]
    margins: MarginHistory
    links: Links
    ways: Ways


Latest = Callable[[tuple[str, ...]], tuple[MarginRecord, ...]]
"""Reads the latest margins of some designs on every chip."""


@dataclass(frozen=True)
class SubjectMargins:
    """The margins that a history is about, and the latest of other chips; oldest first."""

    own: tuple[MarginRecord, ...] = ()
    others: tuple[MarginRecord, ...] = ()


NO_MARGINS = SubjectMargins()


def margins_of(store: Store, subject: Selection, latest: Latest | None = None) -> SubjectMargins:
    """Read the margins for a history; a slot's has none. ``latest`` may remember what it read."""
    match subject.kind:
        case SubjectKind.CHIP:
            own = store.margins(chip=subject.name)
            designs = tuple(sorted({one.design for one in own}))
            found = (latest or store.latest_margins)(designs) if designs else ()
            return SubjectMargins(own, tuple(m for m in found if m.chip_serial != subject.name))
        case SubjectKind.DESIGN:
            return SubjectMargins(store.margins(design=subject.name))
        case SubjectKind.SLOT:
            return NO_MARGINS


def build_history(
    subject: Selection, history: History, links: Links, margins: SubjectMargins = NO_MARGINS
) -> HistoryPage:
    """Work out a page: margins, what does not pass now, then the runs, month by month."""
    kind, title, what = _heading(subject)
    lines = sorted(history.lines, key=_rank)
    worst = {run.worst for run in history.runs}
    months = groupby(history.runs, lambda run: month(run.started))
    return HistoryPage(
        kind=kind,
        title=title,
        headline=_headline(subject.kind, history, margins.own),
        remarks=tuple(_remarks(subject.kind, history)),
        judged=_judged(history),
        what=what,
        lines=tuple((line, tuple(_names(subject.kind, line, links))) for line in lines),
        months=tuple(reversed([(name, tuple(runs)) for name, runs in months])),
        legend=tuple(look(v) for v in SEVERITY_ORDER if v in worst),
        strip_legend=in_strips(line.standing for line in lines),
        intakes=_intakes(history.runs),
        latest=history.runs[-MAX_SHOWN_RUNS:][::-1],
        margins=build_margins(margins.own, margins.others),
        links=links,
        ways=Ways(
            (*above_histories(links), Anchor("Histories", links.histories), Anchor(title, ""))
        ),
    )


def _heading(subject: Selection) -> tuple[str, str, str]:
    match subject.kind:
        case SubjectKind.CHIP:
            return "History of a chip", subject.name or NO_SERIAL, "Design and table"
        case SubjectKind.DESIGN:
            return "History of a design", subject.name, "Chip and table"
        case SubjectKind.SLOT:
            kind = f"History of a slot of {subject.rack}"
            return kind, f"Slot {subject.name}", "Chip, design and table"


def _headline(kind: SubjectKind, history: History, margins: Sequence[MarginRecord]) -> str:
    if not history.runs and margins:
        return "This store has no runs of it, only margin searches."
    if not history.runs:
        return "This store has no records of it."
    chips = many(len({line.chip_serial for line in history.lines}), "chip")
    designs = many(len({line.design for line in history.lines}), "design")
    tables = many(len({(line.design, line.table) for line in history.lines}), "table")
    first, last = (day(history.runs[k].started) for k in (0, -1))
    span = f"on {first}" if first == last else f"from {first} to {last}"
    where = {
        SubjectKind.CHIP: f"of {designs}",
        SubjectKind.DESIGN: f"on {chips}",
        SubjectKind.SLOT: f"of {designs} on {chips}",
    }
    return f"{tables} {where[kind]}; {_counted(history.runs)}, {span}."


def _remarks(kind: SubjectKind, history: History) -> Iterator[str]:
    """Say what was not tested in the latest run, what a board wakes up with, what is left out."""
    last = history.runs[-1] if history.runs else None
    if last is not None and (history.trouble or any(not v.judged for v in last.counts)):
        trouble = history.trouble.rstrip(".")
        why = f" {trouble[0].upper()}{trouble[1:]}." if trouble else ""
        yield f"Latest {last.kind}, {minute(last.started)} UTC: {counts_text(last)}.{why}"
    for one in history.handovers:
        yield f"Board {one.board_serial} {wakes_text(one)}."
    if history.coverages:
        yield coverages_text(history.coverages)
    if left_out := sum(run.left_out for run in history.runs):
        whose = "this chip" if kind is SubjectKind.CHIP else "this slot or its chips"
        yield (
            f"{many(left_out, 'outcome')} left out: the failure belongs to the table or the "
            f"design, not to {whose}. The design's history has it."
        )


def _judged(history: History) -> str:
    """Say of when the verdicts of the tables are."""
    every = (line.standing.last_judged for line in history.lines)
    moments = sorted(moment for moment in every if moment is not None)
    if not moments:
        return "No table was judged yet:"
    if moments[0] == history.runs[-1].started:
        return "Latest verdicts:"
    return f"Last verdict of each table, judged {minute(moments[-1])} UTC at the latest:"


def _counted(runs: Sequence[HistoryRun]) -> str:
    """``5 runs and 1 intake``."""
    intakes = _intakes(runs)
    kinds = ((len(runs) - intakes, "run"), (intakes, "intake"))
    return " and ".join(many(number, noun) for number, noun in kinds if number)


def _intakes(runs: Sequence[HistoryRun]) -> int:
    return sum(run.kind is RunKind.INTAKE for run in runs)


def _rank(line: HistoryLine) -> tuple[int, float, str, str, str]:
    return *urgency(line.standing), line.chip_serial, line.design, line.table


def _names(kind: SubjectKind, line: HistoryLine, links: Links) -> Iterable[Anchor]:
    """Name a line by what its page does not already say, the table last."""
    if kind is not SubjectKind.CHIP:
        yield Anchor(line.chip_serial or NO_SERIAL, links.subject(of_chip(line.chip_serial)))
    if kind is not SubjectKind.DESIGN:
        yield Anchor(line.design, links.subject(of_design(line.design)))
    yield Anchor(line.table, "")

"""The history of a chip, a design or a slot over many runs, read from summaries.

One rule: a run whose summaries are missing or out of date is read from its outcomes; so a history
is complete at any moment, and no reader writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, exists, func, select

from harness.records import Coverage, HandoverRecord, RunKind, Verdict, latest_of_boards, worst
from harness.store.handovers import read_handovers
from harness.store.lines import HistoryLine, RunSummary, history_lines
from harness.store.models import (
    NEWEST,
    ChipRow,
    LayoutRow,
    MarginRow,
    NightRow,
    OutcomeRow,
    RunRow,
    SubjectRow,
)
from harness.store.records import read_outcomes
from harness.store.summaries import LEFT_OUT, LETTERS, Selection, SubjectKind, summaries

_COLUMNS = {
    SubjectKind.CHIP: OutcomeRow.chip_serial,
    SubjectKind.DESIGN: OutcomeRow.design,
    SubjectKind.SLOT: OutcomeRow.slot,
}


@dataclass(frozen=True)
class HistoryRun:
    """One run: how many tables got which verdict. Verdicts that did not occur are left out.

    ``kind`` distinguishes a run of the rack from an intake. ``left_out`` counts the failures that
    belong to a table or design, and so not to a chip or slot.
    """

    run_id: str
    started: datetime
    kind: RunKind
    counts: Mapping[Verdict, int]
    left_out: int = 0

    @property
    def worst(self) -> Verdict | None:
        """The worst verdict; None if everything was left out."""
        return worst(self.counts) if self.counts else None

    @property
    def missed(self) -> int:
        """How many tables did not pass."""
        return sum(self.counts.values()) - self.counts.get(Verdict.PASS, 0)


@dataclass(frozen=True)
class History:
    """A subject's tables, and its runs from the oldest to the latest; intakes are among them.

    ``met`` says that a run had the subject, which may have no outcome yet. ``trouble`` is why its
    board could not be used in the latest run, empty if it could. ``handovers`` are those of boards
    that start a design on this chip by themselves. ``coverages`` are those of a design's tables in
    the latest run.
    """

    lines: tuple[HistoryLine, ...]
    runs: tuple[HistoryRun, ...]
    met: bool
    trouble: str = ""
    handovers: tuple[HandoverRecord, ...] = ()
    coverages: tuple[tuple[str, Coverage], ...] = ()


def of_chip(serial: str) -> Selection:
    """Outcomes of one chip."""
    return Selection(SubjectKind.CHIP, "", serial)


def of_design(name: str) -> Selection:
    """Outcomes of one design."""
    return Selection(SubjectKind.DESIGN, "", name)


def of_slot(rack: str, slot: str) -> Selection:
    """Outcomes in one slot of one rack."""
    return Selection(SubjectKind.SLOT, rack, slot)


def read_history(connection: Connection, which: Selection) -> History:
    """Read every run of a subject: summaries, and outcomes of runs that have none yet."""
    runs = sorted(
        (*_summarised(connection, which), *_unsummarised(connection, which)),
        key=lambda run: (run.started, run.run_id),
    )
    trouble = _latest_trouble(connection, which)
    return History(
        tuple(history_lines(runs)),
        tuple(history_run(r.run_id, r.started, r.kind, r.letters) for r in runs),
        met=bool(runs) or trouble is not None,
        trouble=trouble or "",
        handovers=tuple(_handed_over(connection, which)),
        coverages=tuple(_coverages(connection, which, runs[-1].run_id)) if runs else (),
    )


def _handed_over(connection: Connection, which: Selection) -> Iterator[HandoverRecord]:
    """Choose the latest handovers of boards that were of a chip."""
    if which.kind is SubjectKind.CHIP:
        latest = latest_of_boards(read_handovers(connection))
        yield from (one for one in latest if one.chip_serial == which.name)


def _coverages(
    connection: Connection, which: Selection, run_id: str
) -> Iterator[tuple[str, Coverage]]:
    """Read the fault coverage of a design's tables, as it stands beside the verdicts of a chip."""
    if which.kind is not SubjectKind.DESIGN:
        return
    own = OutcomeRow.run_id == run_id, OutcomeRow.design == which.name
    first = select(func.min(OutcomeRow.slot)).where(*own).scalar_subquery()
    chosen = read_outcomes(connection, run_id, f"run {run_id}", *own, OutcomeRow.slot == first)
    for _, outcome in chosen:
        if outcome.rehearsal is not None and outcome.rehearsal.coverage is not None:
            yield outcome.table, outcome.rehearsal.coverage


def _latest_trouble(connection: Connection, which: Selection) -> str | None:
    """Read why a chip or slot could not be used in its latest run; None if no run has it."""
    name = {SubjectKind.CHIP: ChipRow.chip_serial, SubjectKind.SLOT: ChipRow.slot}.get(which.kind)
    if name is None:
        return None
    chips = select(ChipRow.trouble).join(RunRow, RunRow.run_id == ChipRow.run_id)
    of_rack = (RunRow.rack == which.rack,) if which.kind is SubjectKind.SLOT else ()
    return connection.scalar(chips.where(name == which.name, *of_rack).order_by(*NEWEST).limit(1))


def _summarised(connection: Connection, which: Selection) -> Iterator[RunSummary]:
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
        select(RunRow.run_id, RunRow.started, RunRow.kind, NightRow.layout, NightRow.verdicts)
        .join(NightRow, NightRow.run_id == RunRow.run_id)
        .where(of_subject, RunRow.summarised)
    )
    for run_id, started, kind, layout, letters in rows:
        yield RunSummary(run_id, started, kind, layouts[layout], letters)


def _unsummarised(connection: Connection, which: Selection) -> Iterator[RunSummary]:
    """Read runs that are under way, were killed recently, or changed afterwards."""
    wanted = select(RunRow.run_id, RunRow.started, RunRow.kind).where(~RunRow.summarised)
    for run_id, started, kind in connection.execute(wanted).all():
        # the other outcomes of a whole rack would take many times as long
        chosen = _COLUMNS[which.kind] == which.name
        found = summaries(connection, run_id, chosen).get(which)
        if found is not None:
            yield RunSummary(run_id, started, kind, found.entries, "".join(found.letters))


def history_run(run_id: str, started: datetime, kind: str, letters: str) -> HistoryRun:
    """Count the letters of a run."""
    counts = {verdict: letters.count(letter) for verdict, letter in LETTERS.items()}
    kept = {verdict: count for verdict, count in counts.items() if count}
    return HistoryRun(run_id, started, RunKind(kind), kept, sum(map(letters.count, LEFT_OUT)))


def read_subjects(connection: Connection) -> tuple[Selection, ...]:
    """Read every subject: those of summaries, of other runs, and of margins.

    They are sorted: chips, designs, then the slots of each rack.
    """
    kept = exists().where(NightRow.subject == SubjectRow.number)
    rows = connection.execute(select(SubjectRow.kind, SubjectRow.rack, SubjectRow.name).where(kept))
    found = {Selection(SubjectKind(kind), rack, name) for kind, rack, name in rows}
    for run_id in connection.scalars(select(RunRow.run_id).where(~RunRow.summarised)).all():
        found |= summaries(connection, run_id).keys()
    return tuple(sorted(found | searched_subjects(connection)))


def searched_subjects(connection: Connection) -> set[Selection]:
    """Read the chips and designs that have margins."""
    columns = ((of_chip, MarginRow.chip_serial), (of_design, MarginRow.design))
    return {
        of(name) for of, column in columns for name in connection.scalars(select(column).distinct())
    }

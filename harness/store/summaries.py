"""Summaries of a run: a letter for each table of each chip, design and slot.

One rule: summaries are made from the outcomes in one transaction, which marks the run; a change of
outcomes removes the mark first, and until the run is summarised again its outcomes are read.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from functools import cached_property

from sqlalchemy import ColumnElement, Connection, delete, select, update

from harness.records import Verdict
from harness.store.damage import verdict_of
from harness.store.inserts import Row, insert_into
from harness.store.models import LayoutRow, NightRow, OutcomeRow, RunRow, SubjectRow
from harness.store.undisturbed import undisturbed

LETTERS: Mapping[Verdict, str] = {
    Verdict.PASS: "P",
    Verdict.FAIL: "F",
    Verdict.UNSTABLE: "U",
    Verdict.ERROR: "E",
    Verdict.WAIVED: "W",
    Verdict.NOT_RUN: "-",
}

LEFT_OUT = "".join(LETTERS[verdict].lower() for verdict in Verdict if verdict.failed)
"""Letters of failures that do not count against a chip or its slot: see ``Outcome.counts``."""

Entry = tuple[str, str, str]
"""Chip, design and table."""


class SubjectKind(StrEnum):
    """What a history can be about."""

    CHIP = "chip"
    DESIGN = "design"
    SLOT = "slot"


@dataclass(frozen=True, order=True)
class Selection:
    """What a history is about: made by ``of_chip``, ``of_design`` or ``of_slot``.

    ``rack`` is empty except for a slot.
    """

    kind: SubjectKind
    rack: str
    name: str


@dataclass
class Summary:
    """One run's verdicts on one subject: entries, and a letter for each."""

    entries: list[Entry] = field(default_factory=list)
    letters: list[str] = field(default_factory=list)

    def add(self, entry: Entry, letter: str) -> None:
        """Add one outcome."""
        self.entries.append(entry)
        self.letters.append(letter)

    @cached_property
    def layout(self) -> str:
        """The entries as they are stored."""
        return json.dumps(self.entries, separators=(",", ":"))


def summarise(connection: Connection, run_id: str) -> None:
    """Make a run's summaries, and overwrite those that it has."""
    lock_run(connection, run_id)
    found = summaries(connection, run_id)
    about = [{"kind": s.kind.value, "rack": s.rack, "name": s.name} for s in found]
    texts = [summary.layout for summary in found.values()]
    entries = [{"sha256": _sha256(text), "entries": text} for text in texts]
    subjects = _numbers(connection, SubjectRow, about, ("kind", "rack", "name"))
    layouts = _numbers(connection, LayoutRow, entries, ("sha256",))
    known = select(SubjectRow.number)
    connection.execute(
        delete(NightRow).where(NightRow.run_id == run_id, NightRow.subject.in_(known))
    )
    rows = [
        {"subject": subject, "run_id": run_id, "layout": layout, "verdicts": "".join(one.letters)}
        for subject, layout, one in zip(subjects, layouts, found.values(), strict=True)
    ]
    if rows:
        connection.execute(insert_into(connection, NightRow), rows)
    connection.execute(update(RunRow).where(RunRow.run_id == run_id).values(summarised=True))


def summarise_older(connection: Connection, moment: datetime) -> None:
    """Summarise every run that has no summaries and was started before."""
    left_over = (~RunRow.summarised, RunRow.started < moment)
    wanted = select(RunRow.run_id).where(*left_over).order_by(RunRow.started)
    for run_id in connection.scalars(wanted).all():
        summarise(connection, run_id)


def mark_changed(connection: Connection, run_id: str) -> None:
    """Mark a run as not summarised: the same transaction is about to change its outcomes."""
    if lock_run(connection, run_id):
        connection.execute(update(RunRow).where(RunRow.run_id == run_id).values(summarised=False))


def lock_run(connection: Connection, run_id: str) -> bool:
    """Keep others from summarising or marking a run; tell whether it is summarised.

    SQLite needs no such lock: there is one writer at a time.
    """
    wanted = select(RunRow.summarised).where(RunRow.run_id == run_id).with_for_update()
    return bool(connection.scalar(wanted))


def summaries(
    connection: Connection, run_id: str, *chosen: ColumnElement[bool]
) -> dict[Selection, Summary]:
    """Gather a run's outcomes by chip, design and slot; each sorted by its entries.

    A failure that belongs to its table or design has one of :data:`LEFT_OUT` with chip and slot.
    """
    rack = connection.scalar(select(RunRow.rack).where(RunRow.run_id == run_id)) or ""
    o = OutcomeRow
    wanted = select(o.slot, o.chip_serial, o.design, o.table_name, o.verdict, o.counts)
    rows = connection.execute(wanted.where(o.run_id == run_id, *chosen))
    found: dict[tuple[SubjectKind, str, str], Summary] = defaultdict(Summary)
    with undisturbed():
        for slot, chip, design, table, verdict, counts in sorted(rows.all(), key=tuple):
            entry, letter = (chip, design, table), LETTERS[verdict_of(verdict)]
            own = letter.lower() if not counts and letter.lower() in LEFT_OUT else letter
            found[SubjectKind.CHIP, "", chip].add(entry, own)
            found[SubjectKind.DESIGN, "", design].add(entry, letter)
            found[SubjectKind.SLOT, rack, slot].add(entry, own)
    return {Selection(*key): summary for key, summary in found.items()}


def _numbers(
    connection: Connection,
    model: type[SubjectRow | LayoutRow],
    rows: Sequence[Row],
    keys: Sequence[str],
) -> list[int]:
    """Find the numbers of rows by their key columns; new rows are inserted."""
    wanted = select(model.number, *(getattr(model, key) for key in keys))

    def known() -> dict[tuple[str, ...], int]:
        return {tuple(key): number for number, *key in connection.execute(wanted)}

    numbers, places = known(), [tuple(row[key] for key in keys) for row in rows]
    missing = {place: row for place, row in zip(places, rows, strict=True) if place not in numbers}
    if missing:
        statement = insert_into(connection, model).on_conflict_do_nothing()
        # sorted, so that two programs cannot each wait for the other
        connection.execute(statement, [missing[place] for place in sorted(missing)])
        numbers = known()
    return [numbers[place] for place in places]


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

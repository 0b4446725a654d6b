"""Summaries of a run: what it found of each chip, design and slot, a letter for each table.

One rule: a summary is worked out of the outcomes in one transaction and says so on its run; a run
whose outcomes change is marked first, and is read from its outcomes until it is summarised again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cached_property

from sqlalchemy import Connection, delete, select, update

from harness.records import Verdict
from harness.store.damage import verdict_of
from harness.store.inserts import insert_into
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

    ``rack`` is empty but for a slot.
    """

    kind: SubjectKind
    rack: str
    name: str


@dataclass
class Summary:
    """What one run found of one subject: entries, and as many letters."""

    entries: list[Entry]
    letters: list[str]

    def add(self, entry: Entry, letter: str) -> None:
        """Add one outcome."""
        self.entries.append(entry)
        self.letters.append(letter)

    @cached_property
    def layout(self) -> str:
        """What the letters are about, as it is kept."""
        return json.dumps(self.entries, separators=(",", ":"))


def summarise(connection: Connection, run_id: str) -> None:
    """Work out a run's summaries anew, over those that it has."""
    lock_run(connection, run_id)
    with undisturbed():
        found = _summaries(connection, run_id)
    subjects = _subject_numbers(connection, found)
    layouts = _layout_numbers(connection, found.values())
    known = select(SubjectRow.number)
    connection.execute(
        delete(NightRow).where(NightRow.run_id == run_id, NightRow.subject.in_(known))
    )
    rows = [
        {
            "subject": subjects[which],
            "run_id": run_id,
            "layout": layouts[summary.layout],
            "verdicts": "".join(summary.letters),
        }
        for which, summary in found.items()
    ]
    if rows:
        connection.execute(insert_into(connection, NightRow), rows)
    connection.execute(update(RunRow).where(RunRow.run_id == run_id).values(summarised=True))


def summarise_older(connection: Connection, moment: datetime | None) -> None:
    """Summarise every run that has no summaries and was started before; ``None`` means all."""
    wanted = select(RunRow.run_id).where(RunRow.summarised.is_(False)).order_by(RunRow.started)
    if moment is not None:
        wanted = wanted.where(RunRow.started < moment)
    for run_id in connection.scalars(wanted).all():
        summarise(connection, run_id)


def mark_changed(connection: Connection, run_id: str) -> None:
    """Have a run read from its outcomes, which the same transaction is about to change."""
    if lock_run(connection, run_id):
        connection.execute(update(RunRow).where(RunRow.run_id == run_id).values(summarised=False))


def lock_run(connection: Connection, run_id: str) -> bool:
    """Keep others from summarising or marking a run; tell whether it is summarised.

    SQLite needs no such lock: there is one writer at a time.
    """
    wanted = select(RunRow.summarised).where(RunRow.run_id == run_id).with_for_update()
    return bool(connection.scalar(wanted))


def _summaries(connection: Connection, run_id: str) -> dict[Selection, Summary]:
    """Gather a run's outcomes by chip, design and slot; each sorted by its entries."""
    rack = connection.scalar(select(RunRow.rack).where(RunRow.run_id == run_id)) or ""
    column = OutcomeRow
    rows = connection.execute(
        select(
            column.slot, column.chip_serial, column.design, column.table_name, column.verdict
        ).where(column.run_id == run_id)
    )
    chips: dict[str, Summary] = {}
    designs: dict[str, Summary] = {}
    slots: dict[str, Summary] = {}
    for slot, chip, design, table, verdict in sorted(tuple(row) for row in rows.all()):
        entry, letter = (chip, design, table), LETTERS[verdict_of(verdict)]
        for places, name in ((chips, chip), (designs, design), (slots, slot)):
            if name not in places:
                places[name] = Summary([], [])
            places[name].add(entry, letter)
    return {
        **{Selection(SubjectKind.CHIP, "", name): summary for name, summary in chips.items()},
        **{Selection(SubjectKind.DESIGN, "", name): summary for name, summary in designs.items()},
        **{Selection(SubjectKind.SLOT, rack, name): summary for name, summary in slots.items()},
    }


def _subject_numbers(connection: Connection, wanted: Iterable[Selection]) -> dict[Selection, int]:
    """Find the subjects' numbers, and give one to each that is new."""
    missing = sorted(set(wanted) - set(_known_subjects(connection)))
    if missing:
        connection.execute(
            insert_into(connection, SubjectRow).on_conflict_do_nothing(),
            [{"kind": s.kind.value, "rack": s.rack, "name": s.name} for s in missing],
        )
    return _known_subjects(connection)


def _known_subjects(connection: Connection) -> dict[Selection, int]:
    rows = connection.execute(
        select(SubjectRow.kind, SubjectRow.rack, SubjectRow.name, SubjectRow.number)
    )
    return {Selection(SubjectKind(kind), rack, name): number for kind, rack, name, number in rows}


def _layout_numbers(connection: Connection, summaries: Iterable[Summary]) -> dict[str, int]:
    """Find the numbers of the summaries' layouts, by their texts, and keep those that are new."""
    texts = {_sha256(text): text for text in {summary.layout for summary in summaries}}
    missing = sorted(texts.keys() - _known_layouts(connection).keys())
    if missing:
        connection.execute(
            insert_into(connection, LayoutRow).on_conflict_do_nothing(),
            [{"sha256": digest, "entries": texts[digest]} for digest in missing],
        )
    known = _known_layouts(connection)
    return {text: known[digest] for digest, text in texts.items()}


def _known_layouts(connection: Connection) -> dict[str, int]:
    rows = connection.execute(select(LayoutRow.sha256, LayoutRow.number))
    return {digest: number for digest, number in rows}  # noqa: C416 - rows are no pairs to mypy


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()

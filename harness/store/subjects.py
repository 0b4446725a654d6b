"""What the store knows: every chip, design and slot that a history can be asked about.

One rule: the answer costs as much as there are subjects, however many outcomes are kept.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import Connection, exists, select

from harness.store.models import MarginRow, NightRow, OutcomeRow, RunRow, SubjectRow
from harness.store.summaries import Selection, SubjectKind


def read_subjects(connection: Connection) -> tuple[Selection, ...]:
    """Read the subjects of all summaries, of runs that have none yet, and of margins.

    They are sorted: chips, designs, then the slots of each rack.
    """
    found = {*_summarised(connection), *_unsummarised(connection), *_searched(connection)}
    return tuple(sorted(found))


def _summarised(connection: Connection) -> Iterator[Selection]:
    kept = exists().where(NightRow.subject == SubjectRow.number)
    rows = connection.execute(select(SubjectRow.kind, SubjectRow.rack, SubjectRow.name).where(kept))
    for kind, rack, name in rows:
        yield Selection(SubjectKind(kind), rack, name)


def _searched(connection: Connection) -> Iterator[Selection]:
    """Chips and designs whose margin was searched; both columns have an index."""
    for kind, column in (
        (SubjectKind.CHIP, MarginRow.chip_serial),
        (SubjectKind.DESIGN, MarginRow.design),
    ):
        for name in connection.scalars(select(column).distinct()):
            yield Selection(kind, "", name)


def _unsummarised(connection: Connection) -> Iterator[Selection]:
    o = OutcomeRow
    runs = connection.execute(select(RunRow.run_id, RunRow.rack).where(~RunRow.summarised)).all()
    for run_id, rack in runs:
        # one run at a time: a join would have some planners look through the outcomes of all
        rows = connection.execute(
            select(o.slot, o.chip_serial, o.design).where(o.run_id == run_id).distinct()
        )
        for slot, chip, design in rows:
            yield Selection(SubjectKind.SLOT, rack, slot)
            yield Selection(SubjectKind.CHIP, "", chip)
            yield Selection(SubjectKind.DESIGN, "", design)

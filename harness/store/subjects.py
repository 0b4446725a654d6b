"""What there are histories of: every chip, design and slot that a store knows.

One rule: the time does not grow with the number of nights. Distinct values are found by stepping
through an index from one to the next, not by reading every outcome.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from harness.store.models import ChipRow, OutcomeRow, RunRow


@dataclass(frozen=True)
class Subjects:
    """Chips by serial number, designs by name, slots as (rack, slot); each sorted."""

    chips: tuple[str, ...]
    designs: tuple[str, ...]
    slots: tuple[tuple[str, str], ...]


def read_subjects(session: Session) -> Subjects:
    """Read all three lists."""
    slots = session.execute(
        select(RunRow.rack, ChipRow.slot).join(ChipRow, ChipRow.run_id == RunRow.run_id).distinct()
    )
    return Subjects(
        chips=_distinct(session, OutcomeRow.chip_serial),
        designs=_distinct(session, OutcomeRow.design),
        slots=tuple(sorted((rack, slot) for rack, slot in slots)),
    )


def _distinct(session: Session, column: InstrumentedAttribute[str]) -> tuple[str, ...]:
    """Give the values of an indexed column: the least, then again and again the next one."""
    steps = select(func.min(column).label("value")).cte("steps", recursive=True)
    found = aliased(steps, name="found")
    following: ColumnElement[Any] = (
        select(func.min(column)).where(column > found.c.value).scalar_subquery()
    )
    steps = steps.union_all(select(following).where(found.c.value.is_not(None)))
    values = session.scalars(select(steps.c.value).where(steps.c.value.is_not(None)))
    return tuple(sorted(values))

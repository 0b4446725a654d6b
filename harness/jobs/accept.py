"""Accept a run as the baseline that later nights are compared with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from harness.jobs.choices import LATEST, STORE
from harness.jobs.stores import AnyStore, existing, named_run
from harness.judge import changes
from harness.records import RunKind, RunRecord


@dataclass(frozen=True)
class Accepted:
    """A new baseline; ``lost`` is how many tables of the previous baseline are not in it."""

    record: RunRecord
    lost: int


def accept(run: str = LATEST, reason: str = "", store: AnyStore = STORE) -> Accepted:
    """Make a finished run the baseline of its rack: its failures do not turn a night red.

    ``run`` is its id, or ``latest``, which is never an intake. ``reason`` is shown with every night
    that is compared with it. Raises StoreError if there is no such run or store, RunUnfit for a run
    that is not finished, was stopped, tested nothing or is an intake.
    """
    with existing(store) as kept:
        record = named_run(kept, run, RunKind.RUN)
        before = kept.baseline(record)
        kept.accept(record.run_id, datetime.now(UTC), reason)
    return Accepted(record, len(changes(record, before).lost) if before is not None else 0)

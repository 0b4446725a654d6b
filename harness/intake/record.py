"""The record of one chip's intake, and why it may not be handed out.

One rule: every reason follows from the results, and no option suppresses one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from harness.errors import many
from harness.grouping import grouped
from harness.intake.steps import NEEDED, STEPS, Result, StepResult, title_of
from harness.records import (
    Cause,
    ChipRecord,
    HandoverRecord,
    PinProof,
    RunRecord,
    Verdict,
)


@dataclass(frozen=True)
class ChipIntake:
    """The result of one chip's intake; a card is made from this alone.

    ``by`` names the people who answered, ``at`` is the time of the last result. ``report_sha256``
    is the hash of the chip's HTML report as written. ``earlier`` has the results of steps before
    they were repeated, oldest first. ``uncovered`` names the designs without an intake table.
    ``wakes`` is the handover by which its board starts a design by itself, None if it does not.
    """

    run: RunRecord
    chip: ChipRecord
    by: tuple[str, ...]
    at: datetime
    results: tuple[StepResult, ...]
    pins: tuple[PinProof, ...]
    report_sha256: str
    earlier: tuple[StepResult, ...] = ()
    uncovered: tuple[str, ...] = ()
    wakes: HandoverRecord | None = None

    @property
    def hold_reasons(self) -> tuple[str, ...]:
        """Why the chip may not be handed out; empty if it may."""
        tables = _bad_tables(self.run.causes, self.chip)
        summed = "tables" if tables else ""  # the step that only counts them
        return (*_failed(self.results, summed), *_unchecked(self.results), *tables)


def _failed(results: tuple[StepResult, ...], summed: str) -> tuple[str, ...]:
    failed = (r for r in results if r.result is Result.FAILED and r.key != summed)
    return tuple(f"{title_of(r.key)}: {r.text}" for r in failed)


def _unchecked(results: tuple[StepResult, ...]) -> tuple[str, ...]:
    done = {r.key for r in results if r.result is not Result.NOT_REACHED}
    lost = [step for step in STEPS if step.key not in done]
    skipped = [
        f"{title_of(r.key)}: skipped, {r.text}"
        for r in results
        if r.result is Result.SKIPPED and r.key in NEEDED
    ]
    missing = [f"not reached: {lost[0].title}"] if lost else []
    return (*skipped, *missing)


def _bad_tables(causes: Sequence[Cause], chip: ChipRecord) -> tuple[str, ...]:
    """Give one reason for each cause of bad tables, and one for each table that has none."""
    if chip.trouble:
        return (chip.trouble,)
    bad = [o for o in chip.outcomes if not (o.verdict.good or o.verdict is Verdict.NOT_RUN)]
    left = sum(o.verdict is Verdict.NOT_RUN for o in chip.outcomes)
    summaries = {cause.key: cause.summary for cause in causes}
    explained = grouped((outcome.cause, outcome) for outcome in bad if outcome.cause in summaries)
    reasons = tuple(
        f"{summaries[key]} {many(len(own), 'table')}, first {own[0].design} / {own[0].table}."
        for key, own in explained.items()
    )
    reasons += tuple(
        f"{o.design} / {o.table} is {o.verdict}: {o.summary}"
        for o in bad
        if o.cause not in summaries
    )
    reasons += (f"{left} intake tables were not run",) if left else ()
    return reasons or (() if chip.outcomes else ("no table was run on the chip",))

"""What the chips of one run say about each other: pure, over finished records.

One rule: a verdict is never changed here, only where its cause is taken to lie.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from harness.judge.outcome import Origin, Outcome, RunRecord, Verdict

CHIP_ADVICE = (
    "The same table passes on {passing}, so this chip is suspect rather than the design or the "
    "table. Try the chip in another slot to rule the board out."
)
TABLE_ADVICE = (
    "The same table fails in the same first cycle on every chip that was tested ({failing}), so "
    "suspect the design, the table or its settings before any chip."
)


def compared(run: RunRecord) -> tuple[Outcome, ...]:
    """Return the FAIL outcomes of a run whose origin other chips of the run make known.

    Passing elsewhere on the rack points at the chip; the same first failing cycle and pins on
    every chip tested (two at least) point at the design or the table.
    """
    by_table: dict[tuple[str, str], list[Outcome]] = {}
    for chip in run.chips:
        for outcome in chip.outcomes:
            by_table.setdefault((outcome.design, outcome.table), []).append(outcome)
    return tuple(changed for group in by_table.values() for changed in _compare(group))


def _compare(group: list[Outcome]) -> Iterator[Outcome]:
    failing = [o for o in group if o.verdict is Verdict.FAIL]
    passing = [o for o in group if o.verdict is Verdict.PASS]
    if passing:
        where = _chips(passing)
        for outcome in failing:
            advice = CHIP_ADVICE.format(passing=where)
            yield replace(outcome, origin=Origin.CHIP, advice=advice)
        return
    if len(failing) >= 2 and len({_first(outcome) for outcome in failing}) == 1:
        where = _chips(failing)
        for outcome in failing:
            advice = TABLE_ADVICE.format(failing=where)
            yield replace(outcome, origin=Origin.TABLE, advice=advice)


def _first(outcome: Outcome) -> object:
    return next(((cycle.cycle, cycle.wrong) for cycle in outcome.evidence), None)


def _chips(outcomes: list[Outcome]) -> str:
    names = [outcome.chip_serial for outcome in outcomes]
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"

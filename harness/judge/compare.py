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
UNSTABLE_ADVICE = (
    "The same table is unstable on every chip that was tested ({failing}), so suspect the design, "
    "the table or its settings before any chip: most often a register that is not reset, or an "
    "output that is tested before it has settled."
)
TABLE_ADVICE = (
    "The same table fails in the same first cycle on every chip that was tested ({failing}), so "
    "suspect the design, the table or its settings before any chip."
)


_TESTED = {Verdict.PASS, Verdict.FAIL, Verdict.UNSTABLE}


def compared(run: RunRecord) -> tuple[Outcome, ...]:
    """Return the outcomes of a run whose origin other chips of the run make known.

    A FAIL of a table that passes elsewhere on the rack points at the chip. A FAIL in the same
    first cycle and pins on every chip tested (two at least), or UNSTABLE on every one, points at
    the design or the table.
    """
    by_table: dict[tuple[str, str], list[Outcome]] = {}
    for chip in run.chips:
        for outcome in chip.outcomes:
            by_table.setdefault((outcome.design, outcome.table), []).append(outcome)
    return tuple(changed for group in by_table.values() for changed in _compare(group))


def _compare(group: list[Outcome]) -> Iterator[Outcome]:
    tested = [o for o in group if o.verdict in _TESTED]
    failing = [o for o in tested if o.verdict is Verdict.FAIL]
    passing = [o for o in tested if o.verdict is Verdict.PASS]
    if passing:
        yield from _blamed(failing, Origin.CHIP, CHIP_ADVICE.format(passing=_chips(passing)))
    elif len(tested) >= 2 and not failing:
        advice = UNSTABLE_ADVICE.format(failing=_chips(tested))
        yield from _blamed(tested, Origin.TABLE, advice)
    elif failing == tested and len(tested) >= 2 and len({_first(o) for o in tested}) == 1:
        advice = TABLE_ADVICE.format(failing=_chips(tested))
        yield from _blamed(tested, Origin.TABLE, advice)


def _blamed(outcomes: list[Outcome], origin: Origin, advice: str) -> Iterator[Outcome]:
    return (replace(outcome, origin=origin, advice=advice) for outcome in outcomes)


def _first(outcome: Outcome) -> object:
    return next(((cycle.cycle, cycle.wrong) for cycle in outcome.evidence), None)


def _chips(outcomes: list[Outcome]) -> str:
    names = [outcome.chip_serial for outcome in outcomes]
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"

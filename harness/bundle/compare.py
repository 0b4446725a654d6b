"""What a replay says about a recorded failure: pure, over two outcomes of one table.

One rule: a failure is the same if the first wrong cycles, the pins and their counts are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.records import Outcome, Verdict


class Likeness(StrEnum):
    """How a table's outcome now compares with the one then."""

    SAME_FAILURE = "same failure"
    DIFFERENT_FAILURE = "different failure"
    PASSES_NOW = "passes now"
    STILL_PASSES = "passes as before"
    FAILS_NOW = "fails now"
    JUDGED_NOW = "judged only now"
    UNTESTED = "could not be tested"


@dataclass(frozen=True)
class Comparison:
    """One table, then and now. ``now`` is None if the replay has no outcome for it."""

    then: Outcome
    now: Outcome | None
    likeness: Likeness


def compare(then: Sequence[Outcome], now: Sequence[Outcome]) -> tuple[Comparison, ...]:
    """Compare two runs of one chip, table by table, in the order of the first."""
    later = {(outcome.design, outcome.table): outcome for outcome in now}
    pairs = [(outcome, later.get((outcome.design, outcome.table))) for outcome in then]
    return tuple(Comparison(old, new, _likeness(old, new)) for old, new in pairs)


def _likeness(then: Outcome, now: Outcome | None) -> Likeness:
    if now is None or now.verdict is Verdict.NOT_RUN:
        return Likeness.UNTESTED
    if now.verdict.judged and not then.verdict.judged:
        return Likeness.JUDGED_NOW
    if now.verdict is Verdict.PASS:
        return Likeness.STILL_PASSES if then.verdict is Verdict.PASS else Likeness.PASSES_NOW
    if now.verdict is Verdict.ERROR:
        same = (then.verdict, then.reason, then.summary) == (now.verdict, now.reason, now.summary)
        return Likeness.SAME_FAILURE if same else Likeness.UNTESTED
    if not then.verdict.judged or then.verdict is Verdict.PASS:
        return Likeness.FAILS_NOW
    return Likeness.SAME_FAILURE if _alike(then, now) else Likeness.DIFFERENT_FAILURE


def _alike(then: Outcome, now: Outcome) -> bool:
    """Tell whether two bad outcomes are one failure; an unstable one is known by its pins."""
    if (then.verdict is Verdict.UNSTABLE) != (now.verdict is Verdict.UNSTABLE):
        return False
    if now.verdict is Verdict.UNSTABLE:
        return {c.pin for c in then.pin_counts} == {c.pin for c in now.pin_counts}
    return (then.mismatches, _wrong(then), set(then.pin_counts)) == (
        now.mismatches,
        _wrong(now),
        set(now.pin_counts),
    )


def _wrong(outcome: Outcome) -> list[object]:
    return [(cycle.cycle, cycle.wrong) for cycle in outcome.evidence]

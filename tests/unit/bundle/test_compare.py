"""What a replay says about two outcomes of one table that differ in any way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.bundle import Likeness, compare
from harness.jobs.replay import MAX_REPEATS, _policy
from harness.judge import RetryPolicy
from harness.records import Outcome, Reason, Verdict
from tests.unit.reports.samples import chip, failed, passed, run_of

BAD = failed()
GOOD = passed(BAD.design, BAD.table)
WAIVED = replace(BAD, verdict=Verdict.WAIVED)
SHAKY = replace(BAD, verdict=Verdict.UNSTABLE)
LOST = replace(BAD, verdict=Verdict.ERROR, reason=Reason.LINK_LOST, summary="unplugged")
UNRUN = replace(GOOD, verdict=Verdict.NOT_RUN, summary="stopped")
FIRST, *REST = BAD.evidence
ONE, TWO = BAD.pin_counts
LATER = (replace(FIRST, cycle=FIRST.cycle + 1), *REST)
OTHER_LEVEL = (replace(FIRST, wrong=(replace(FIRST.wrong[0], observed="Z"),)), *REST)
FEWER = (replace(ONE, mismatches=ONE.mismatches - 1), TWO)

SAME, DIFFERENT = Likeness.SAME_FAILURE, Likeness.DIFFERENT_FAILURE


@pytest.mark.parametrize(
    ("then", "now", "likeness"),
    [
        (BAD, BAD, SAME),
        (WAIVED, BAD, SAME),
        (BAD, replace(BAD, summary="in other words", seconds=9.0), SAME),
        (BAD, replace(BAD, pin_counts=(TWO, ONE)), SAME),
        (BAD, replace(BAD, mismatches=BAD.mismatches + 1), DIFFERENT),
        (BAD, replace(BAD, evidence=LATER), DIFFERENT),
        (BAD, replace(BAD, evidence=OTHER_LEVEL), DIFFERENT),
        (BAD, replace(BAD, evidence=BAD.evidence[:-1]), DIFFERENT),
        (BAD, replace(BAD, pin_counts=FEWER), DIFFERENT),
        (BAD, replace(BAD, pin_counts=(ONE,)), DIFFERENT),
        (SHAKY, SHAKY, SAME),
        (SHAKY, replace(SHAKY, mismatches=1, evidence=LATER, pin_counts=FEWER), SAME),
        (SHAKY, replace(SHAKY, pin_counts=(ONE,)), DIFFERENT),
        (BAD, SHAKY, DIFFERENT),
        (SHAKY, BAD, DIFFERENT),
        (BAD, GOOD, Likeness.PASSES_NOW),
        (SHAKY, GOOD, Likeness.PASSES_NOW),
        (GOOD, GOOD, Likeness.STILL_PASSES),
        (GOOD, BAD, Likeness.FAILS_NOW),
        (GOOD, SHAKY, Likeness.FAILS_NOW),
        (LOST, LOST, SAME),
        (LOST, replace(LOST, reason=Reason.PINS_OPEN), Likeness.UNTESTED),
        (LOST, replace(LOST, summary="silent"), Likeness.UNTESTED),
        (BAD, LOST, Likeness.UNTESTED),
        (UNRUN, LOST, Likeness.UNTESTED),
        (LOST, UNRUN, Likeness.UNTESTED),
        (BAD, None, Likeness.UNTESTED),
        (UNRUN, GOOD, Likeness.JUDGED_NOW),
        (UNRUN, BAD, Likeness.JUDGED_NOW),
        (LOST, GOOD, Likeness.JUDGED_NOW),
        (LOST, SHAKY, Likeness.JUDGED_NOW),
    ],
)
def test_one_difference_is_enough(then: Outcome, now: Outcome | None, likeness: Likeness) -> None:
    (found,) = compare([then], [] if now is None else [now])
    assert found.likeness is likeness


@pytest.mark.parametrize(
    ("recorded", "repeats"), [(50, MAX_REPEATS), (6, 5), (1, RetryPolicy.repeats_on_mismatch)]
)
def test_a_mismatch_is_repeated_as_then_but_not_without_end(recorded: int, repeats: int) -> None:
    attempts = tuple(replace(BAD.attempts[0], number=n + 1) for n in range(recorded))
    run = run_of(chip("A1", "SP2-0001", GOOD, replace(BAD, attempts=attempts)))
    assert _policy(run).repeats_on_mismatch == repeats

"""Two series of runs of one table become one outcome: evidence adds up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.judge import RetryPolicy, examine, joined
from harness.records import Outcome, Reason, Verdict, WaiverRecord
from tests.unit.judge.samples import TODAY, FunctionSession, case
from tests.unit.store.test_store import failing_outcome

FAILED = replace(failing_outcome(), rules="1", cause="A1", reason=Reason.NOT_SETTLED)


def passed() -> Outcome:
    return examine(FunctionSession(), case(), RetryPolicy(minimum_runs=2), TODAY).outcome


def test_a_table_that_failed_and_passes_when_it_is_repeated_is_unstable() -> None:
    found = joined(FAILED, passed())
    assert (found.verdict, found.reason) == (Verdict.UNSTABLE, Reason.ANSWERS_DIFFER)
    assert [attempt.number for attempt in found.attempts] == [1, 2, 3, 4, 5]
    assert found.evidence == FAILED.evidence
    assert found.summary.startswith("5 runs of the same stimulus gave different answers")
    assert found.advice == Reason.ANSWERS_DIFFER.advice
    assert (found.rules, found.cause) == ("", "")


def test_a_table_that_fails_alike_again_fails_and_nothing_is_final() -> None:
    found = joined(FAILED, failing_outcome())
    assert (found.verdict, found.reason) == (Verdict.FAIL, Reason.SAME_MISMATCH)
    assert (len(found.attempts), found.rules) == (6, "")


@pytest.mark.parametrize("reason", [Reason.AS_EXPECTED, Reason.PINS_OPEN])
def test_waits_of_other_lengths_and_open_pins_make_no_table_unstable(reason: Reason) -> None:
    (verdict,) = reason.verdicts
    first = replace(passed(), verdict=verdict, reason=reason, provisional=reason)
    other = tuple(replace(attempt, signature="other") for attempt in first.attempts)
    found = joined(first, replace(first, attempts=other))
    assert (found.verdict, found.reason, len(found.attempts)) == (verdict, reason, 4)


def test_a_failure_is_not_hidden_by_a_lost_link_after_it() -> None:
    lost = replace(
        failing_outcome(),
        verdict=Verdict.ERROR,
        reason=Reason.LINK_LOST,
        provisional=Reason.LINK_LOST,
    )
    assert joined(FAILED, lost).verdict is Verdict.FAIL


def test_a_waiver_of_one_series_covers_no_failure_of_the_other() -> None:
    waived = replace(failing_outcome(), verdict=Verdict.WAIVED, reason=Reason.WAIVED)
    verdicts = [joined(*both).verdict for both in ((waived, FAILED), (FAILED, waived))]
    assert verdicts == [Verdict.FAIL, Verdict.FAIL]
    assert joined(waived, passed()).verdict is Verdict.WAIVED


def test_a_waiver_that_a_suspected_board_has_set_aside_counts_again() -> None:
    waiver = WaiverRecord("ops", "known", "T-1", "2027-01-01")
    aside = replace(FAILED, verdict=Verdict.ERROR, waiver=waiver)
    assert joined(aside, passed()).verdict is Verdict.WAIVED
    assert joined(aside, failing_outcome()).verdict is Verdict.FAIL


def test_runs_without_an_answer_add_nothing() -> None:
    lost = replace(passed(), attempts=(), verdict=Verdict.ERROR)
    assert joined(FAILED, lost) == FAILED

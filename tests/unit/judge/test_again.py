"""Two series of runs of one table become one outcome: evidence adds up."""

from __future__ import annotations

from dataclasses import replace

from harness.judge import RetryPolicy, examine, joined
from harness.records import Outcome, Reason, Verdict
from tests.unit.judge.samples import TODAY, FunctionSession, case
from tests.unit.store.test_store import failing_outcome

FAILED = replace(failing_outcome(), rules="1", cause="slot:A1", reason=Reason.NOT_SETTLED)


def passed() -> Outcome:
    return examine(FunctionSession(), case(), RetryPolicy(minimum_runs=2), TODAY).outcome


def test_a_table_that_failed_and_passes_when_it_is_repeated_is_unstable() -> None:
    found = joined(FAILED, passed())
    assert (found.verdict, found.reason) == (Verdict.UNSTABLE, Reason.ANSWERS_DIFFER)
    assert [attempt.number for attempt in found.attempts] == [1, 2, 3, 4, 5]
    assert found.evidence == FAILED.evidence
    assert (found.rules, found.cause) == ("", "")


def test_a_table_that_fails_alike_again_fails_and_nothing_is_final() -> None:
    found = joined(FAILED, failing_outcome())
    assert (found.verdict, found.reason) == (Verdict.FAIL, Reason.SAME_MISMATCH)
    assert (len(found.attempts), found.rules) == (6, "")


def test_runs_without_an_answer_add_nothing() -> None:
    lost = replace(passed(), attempts=(), verdict=Verdict.ERROR)
    assert joined(FAILED, lost) == FAILED

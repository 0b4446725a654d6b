"""What a verdict says about a chip: sets of verdicts have one name each, everywhere."""

from __future__ import annotations

import pytest

from harness.records import Verdict

KINDS = {
    #                   judged  failed  good  quiet
    Verdict.PASS: (True, False, True, True),
    Verdict.FAIL: (True, True, False, False),
    Verdict.UNSTABLE: (True, True, False, False),
    Verdict.ERROR: (False, False, False, False),
    Verdict.WAIVED: (True, False, True, False),
    Verdict.NOT_RUN: (False, False, False, True),
}


@pytest.mark.parametrize("verdict", Verdict)
def test_a_verdict_is_of_these_kinds(verdict: Verdict) -> None:
    assert (verdict.judged, verdict.failed, verdict.good, verdict.quiet) == KINDS[verdict]

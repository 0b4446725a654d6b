"""One outcome from two series of runs of the same table in the same slot. Pure.

One rule: evidence adds up; a run that was wrong is never forgotten because later ones were not.
"""

from __future__ import annotations

from dataclasses import replace

from harness.records import Outcome, Reason, Verdict


def joined(before: Outcome, again: Outcome) -> Outcome:
    """Return the outcome with the attempts of both; its verdict is provisional again.

    Runs without an answer of the chip add nothing.
    """
    if not again.attempts:
        return before
    shown = again if again.mismatches else before
    both = (*before.attempts, *again.attempts)
    attempts = tuple(replace(attempt, number=number) for number, attempt in enumerate(both, 1))
    steady = len({attempt.signature for attempt in both}) == 1
    reason = shown.provisional if steady else Reason.ANSWERS_DIFFER
    waived = shown.verdict is Verdict.WAIVED
    return replace(
        shown,
        verdict=Verdict.WAIVED if waived else reason.verdicts[0],
        reason=Reason.WAIVED if waived else reason,
        provisional=reason,
        rules="",
        cause="",
        attempts=attempts,
        floating=tuple(dict.fromkeys((*before.floating, *again.floating))),
        seconds=before.seconds + again.seconds,
    )

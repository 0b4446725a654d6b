"""One outcome from two series of runs of the same table in the same slot. Pure.

One rule: evidence adds up; a run that was wrong is never forgotten because later ones were not.
"""

from __future__ import annotations

from dataclasses import replace

from harness.judge import texts
from harness.judge.verdict import unstable_reason
from harness.records import Outcome, Reason, Verdict

_NO_OTHER_ANSWER = (Reason.AS_EXPECTED, Reason.PINS_OPEN)


def joined(before: Outcome, again: Outcome) -> Outcome:
    """Return the outcome with the attempts of both; its verdict is provisional again.

    Runs without an answer of the chip add nothing.
    """
    if not again.attempts:
        return before
    failed = [outcome for outcome in (before, again) if outcome.mismatches]
    unwaived = [outcome for outcome in failed if not outcome.covered]
    shown = (*unwaived, *failed, before)[0]
    both = (*before.attempts, *again.attempts)
    joint = replace(
        shown,
        provisional=_reason(shown, before, again),
        rules="",
        cause="",
        attempts=tuple(replace(attempt, number=number) for number, attempt in enumerate(both, 1)),
        floating=tuple(dict.fromkeys((*before.floating, *again.floating))),
        released=tuple(dict.fromkeys((*before.released, *again.released))),
        seconds=before.seconds + again.seconds,
    )
    return joint.because(Reason.WAIVED) if shown.covered else _as_evidence_says(joint)


def _reason(shown: Outcome, before: Outcome, again: Outcome) -> Reason:
    """Give the reason of both series.

    Runs that pass may wait for another number of cycles, and open pins read at random: there
    other signatures are no other answers.
    """
    if before.provisional is again.provisional and shown.provisional in _NO_OTHER_ANSWER:
        return shown.provisional
    signatures = [attempt.signature for attempt in (*before.attempts, *again.attempts)]
    return shown.provisional if len(set(signatures)) == 1 else unstable_reason(signatures)


def _as_evidence_says(outcome: Outcome) -> Outcome:
    """Return the outcome with the provisional verdict, and the words for it."""
    reason = outcome.provisional
    found = outcome.because(reason)
    if found.verdict is not Verdict.UNSTABLE:
        return found
    mismatches = [attempt.mismatches for attempt in outcome.attempts]
    return replace(found, summary=texts.unstable(mismatches, reason))

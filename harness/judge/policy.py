"""How often a table is run before a verdict is given: a pure decision over the captures so far.

One rule: nothing here talks to a board. :func:`wants_another_run` says whether one more run of
the same stimulus is needed; the examiner beside this file does the running.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.board import Capture, Mismatch

WINDOW_REACH = 8
"""Cycles read back whole before and after the first mismatch."""


@dataclass(frozen=True)
class RetryPolicy:
    """A mismatch is repeated ``repeats_on_mismatch`` times; every table runs ``minimum_runs``.

    Raises ValueError for a negative count of repeats or less than one run.
    """

    repeats_on_mismatch: int = 2
    minimum_runs: int = 1

    def __post_init__(self) -> None:
        if self.repeats_on_mismatch < 0:
            raise ValueError("repeats_on_mismatch is a count, 0 or more")
        if self.minimum_runs < 1:
            raise ValueError("minimum_runs is a count, 1 or more")


def wants_another_run(captures: Sequence[Capture], policy: RetryPolicy) -> bool:
    """Tell whether the table has to run once more: too few runs, or a mismatch to repeat."""
    if len(captures) < policy.minimum_runs:
        return True
    failing = first_failing(captures)
    if failing is None:
        return False
    return len(captures) - 1 - failing < policy.repeats_on_mismatch


def first_failing(captures: Sequence[Capture]) -> int | None:
    """Index of the first capture with a mismatch, or None."""
    return next((k for k, capture in enumerate(captures) if capture.mismatch_count), None)


def answers_agree(captures: Sequence[Capture]) -> bool:
    """Tell whether every run of the one stimulus gave the same answer.

    A match loop that took another number of cycles is another stimulus: where that is the only
    difference and no run has a mismatch, the runs agree.
    """
    if all(capture.mismatch_count == 0 for capture in captures) and _loops_differ(captures):
        return True
    return len({_answer(capture) for capture in captures}) <= 1


def _loops_differ(captures: Sequence[Capture]) -> bool:
    return len({tuple(sorted(capture.until_used.items())) for capture in captures}) > 1


def _answer(capture: Capture) -> tuple[object, ...]:
    """Collect what has to be equal between two runs."""
    return (
        capture.signature,
        capture.mismatch_count,
        tuple(sorted(capture.pin_counts.items())),
        tuple((m.cycle, m.wrong) for m in capture.mismatches),
    )


def window_around(mismatch: Mismatch) -> tuple[int, int]:
    """Cycles (first, stop) that are read back whole around a mismatch."""
    return max(0, mismatch.cycle - WINDOW_REACH), mismatch.cycle + WINDOW_REACH + 1

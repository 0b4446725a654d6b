"""Runs one table on one chip as often as its verdict needs, then judges it.

One rule: only this file of the room talks to a session, and it decides nothing: the policy says
whether to run again, the judge gives the verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Protocol

from harness.board import Capture, Mismatch, RunConditions
from harness.errors import HarnessError, LinkError, TableUnfit
from harness.judge.case import Case
from harness.judge.probe import contact_probes, floating_pins, probes
from harness.judge.verdict import Gathered, first_failing, judge, untested, unusable
from harness.records import Outcome
from harness.table import Pattern

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
    """Whether the table must run once more: too few runs, or a mismatch to repeat."""
    if len(captures) < policy.minimum_runs:
        return True
    failing = first_failing(captures)
    if failing is None:
        return False
    return len(captures) - 1 - failing < policy.repeats_on_mismatch


class PatternRunner(Protocol):
    """The part of a board session that is needed here."""

    def run(
        self,
        pattern: Pattern,
        conditions: RunConditions,
        *,
        window: tuple[int, int] | None = None,
    ) -> Capture:
        """Run a pattern once; raises LinkError or Cancelled.

        ``window`` is a range of cycles (first, stop) whose words come back whole.
        """
        ...


@dataclass(frozen=True)
class Examination:
    """A table's outcome, and the error that cut it short, if any; most often a LinkError.

    ``floating`` marks the pins that followed the weak pulls where the chip should drive.
    """

    outcome: Outcome
    lost: HarnessError | None = None
    floating: int = 0


def examine(
    runner: PatternRunner,
    case: Case,
    policy: RetryPolicy,
    today: date | None = None,
) -> Examination:
    """Run a table until the policy is satisfied, probe doubtful pins, and judge it.

    The design must be selected. A LinkError becomes an ERROR outcome and is returned with it; a
    table that the board cannot run as its settings demand becomes an ERROR of the table.
    Cancelled passes through. ``today`` decides which waivers have expired (default: today).
    """
    started = datetime.now(UTC)
    gathered = Gathered()
    try:
        while wants_another_run(gathered.captures, policy):
            gathered = _run_again(runner, case, gathered)
        gathered = _probe_pins(runner, case, gathered)
    except LinkError as error:
        return Examination(untested(case, gathered, error, started), error)
    except TableUnfit as error:
        return Examination(unusable(case, error, started))
    day = today if today is not None else datetime.now().astimezone().date()
    return Examination(judge(case, gathered, day, started), floating=gathered.floating)


def _run_again(runner: PatternRunner, case: Case, gathered: Gathered) -> Gathered:
    """Run once more; the first run after a mismatch also reads back the window around it."""
    failing = first_failing(gathered.captures)
    around = None
    if failing is not None and gathered.window is None:
        first = gathered.captures[failing].mismatches[:1]
        around = window_around(first[0]) if first else None
    capture = runner.run(case.pattern, case.conditions, window=around)
    return replace(
        gathered,
        captures=(*gathered.captures, capture),
        window=capture.window if around is not None else gathered.window,
    )


def _probe_pins(runner: PatternRunner, case: Case, gathered: Gathered) -> Gathered:
    """Test by weak pulls the wrong pins, or, without a mismatch, those never seen to change."""
    failing = first_failing(gathered.captures)
    if failing is None:
        probe = contact_probes(case.pattern, gathered.captures[-1])
    else:
        probe = probes(case.pattern, gathered.captures[failing])
    if probe is None:
        return gathered
    capture = runner.run(probe, replace(case.conditions, gap_free=False))
    return replace(gathered, floating=floating_pins(probe, capture))


def window_around(mismatch: Mismatch) -> tuple[int, int]:
    """Return the cycles (first, stop) to read back whole around a mismatch."""
    return max(0, mismatch.cycle - WINDOW_REACH), mismatch.cycle + WINDOW_REACH + 1

"""Runs one table on one chip as often as its verdict needs, then judges it.

One rule: only this file of the room talks to a session, and it decides nothing: the policy says
whether to run again, the judge gives the verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Protocol

from harness.board import Capture, RunConditions
from harness.errors import Contention, HarnessError, LinkError, TableUnfit
from harness.judge.case import Case
from harness.judge.probe import (
    Floating,
    as_run,
    contacts,
    floating_pins,
    pulled,
    released,
    up_to,
)
from harness.judge.quote import quoted
from harness.judge.reading import (
    ALL_OPEN,
    ALL_READ,
    ENOUGH,
    MAX_READ,
    MAX_WHOLE,
    REACH,
    SERIAL_REACH,
    Reading,
)
from harness.judge.verdict import Gathered, first_failing, judge, untested, unusable
from harness.records import Outcome
from harness.table import NO_CYCLES, Cycles, Pattern


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
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        """Run a pattern once; raises LinkError or Cancelled.

        ``window`` is a range of cycles (first, stop) whose words come back whole.
        """
        ...


@dataclass(frozen=True)
class Examination:
    """A table's outcome, and the error that cut it short, if any; most often a LinkError.

    ``floating`` marks the pins that followed the weak pulls in a cycle where the chip should drive.
    ``complete`` are the runs of a table whose link was lost only after the last of them.
    """

    outcome: Outcome
    lost: HarnessError | None = None
    floating: int = 0
    complete: tuple[Capture, ...] = ()


def examine(
    runner: PatternRunner,
    case: Case,
    policy: RetryPolicy,
    today: date | None = None,
    *,
    cycles: int = MAX_READ,
    before: tuple[Capture, ...] = (),
) -> Examination:
    """Run a table until the policy is satisfied, probe doubtful pins, and judge it.

    The design must be selected. After a run that passes, weak pulls test whether the chip drives
    the pins. A table with a mismatch runs twice more: to read back up to
    ``cycles`` cycles from the first mismatch on, and on weak pulls. A LinkError becomes an ERROR
    outcome and is returned with it; a table that the board cannot run as its settings demand
    becomes an ERROR of the table. Cancelled passes through. ``today`` decides which waivers have
    expired (default: today). ``before`` are the complete runs of an examination that a lost link
    cut short afterwards: they are judged too, since what they gave is no fault of the link.
    """
    started = datetime.now(UTC)
    gathered = Gathered(before)
    runs: tuple[Capture, ...] = ()
    complete: tuple[Capture, ...] = ()
    try:
        _check_contention(case)
        while wants_another_run(runs, policy):
            runs = (*runs, runner.run(case.pattern, case.conditions))
            gathered = replace(gathered, captures=(*before, *runs))
            if not runs[-1].mismatch_count and (len(runs) == 1 or first_failing(runs) is not None):
                gathered = _asked(runner, case, gathered)
                runs = gathered.captures[len(before) :]
        complete = gathered.captures
        gathered = _probed(runner, case, gathered)
        gathered = _read(runner, case, gathered, cycles)
    except LinkError as error:
        return Examination(untested(case, gathered, error, started), error, complete=complete)
    except TableUnfit as error:
        return Examination(unusable(case, error, started))
    day = today if today is not None else datetime.now().astimezone().date()
    outcome = quoted(case, judge(case, gathered, day, started))
    return Examination(outcome, floating=gathered.floating.some)


def _check_contention(case: Case) -> None:
    """Raise Contention if rehearsal saw two drivers on a pin and nobody intended it."""
    rehearsal = case.rehearsal
    if rehearsal is None or not rehearsal.refused:
        return
    file = f"{case.design.folder.name}/{case.spec.path.name}"
    line = rehearsal.contention[0].line
    raise Contention(f"{file}, line {line}: {rehearsal.contention_text}")


def _asked(runner: PatternRunner, case: Case, gathered: Gathered) -> Gathered:
    """Test by weak pulls, in a few cycles, whether the chip drives what the last run passed."""
    *others, last = gathered.captures
    run = as_run(case.pattern, last.until_used)
    probe = contacts(run[0])
    if probe is None:
        return gathered
    asked = runner.run(probe, replace(case.conditions, gap_free=False))
    judged = released(case.pattern, last, run, asked)
    return replace(gathered, captures=(*others, judged), floating=floating_pins(probe, asked))


def _probed(runner: PatternRunner, case: Case, gathered: Gathered) -> Gathered:
    """Test by weak pulls, around the first mismatch, which pins float."""
    shown = _shown(gathered)
    if not shown.mismatches:
        return gathered
    run, _ = as_run(case.pattern, shown.until_used)
    probe = pulled(run, shown.mismatches[0].cycle)
    if probe is None:
        return gathered
    capture = runner.run(probe, replace(case.conditions, gap_free=False))
    return replace(gathered, floating=floating_pins(probe, capture))


def _read(runner: PatternRunner, case: Case, gathered: Gathered, cycles: int) -> Gathered:
    """Read words back after a mismatch; where pins only float, every word is as expected."""
    shown = _shown(gathered)
    if all(bad.wrong == bad.floating for bad in shown.mismatches):
        return gathered
    first = shown.mismatches[0].cycle
    run, rows = as_run(case.pattern, shown.until_used)
    cycles, limit = _how_many(shown, gathered.floating, cycles)
    before = _before(case, run.cycles, first) if cycles >= MAX_READ else REACH
    span = max(0, first - before), first + max(cycles, REACH + 1)
    part, of = up_to(run, span[1])
    words = runner.run(part, replace(case.conditions, gap_free=False), window=span).window
    if words is None:
        return gathered
    return replace(gathered, reading=Reading(part, rows[of], words, first, run.cycles, limit))


def _before(case: Case, total: int, first: int) -> int:
    """Return how many cycles before the first mismatch to read back; all of a short run."""
    if total <= MAX_WHOLE:
        return first
    return SERIAL_REACH if case.design.serial else REACH


def _shown(gathered: Gathered) -> Capture:
    """Return the run that is reported: the first with a mismatch, else the last."""
    failing = first_failing(gathered.captures)
    return gathered.captures[-1 if failing is None else failing]


def _how_many(shown: Capture, floating: Floating, cycles: int) -> tuple[int, str]:
    """Return how many cycles to read back, and why no more."""
    if all(floating.every >> bit & 1 for bit, count in shown.pin_counts.items() if count):
        return 0, ALL_OPEN
    return cycles, ALL_READ if cycles >= MAX_READ else ENOUGH

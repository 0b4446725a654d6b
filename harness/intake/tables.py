"""Runs an intake's tables on one chip, quickest first, and keeps each outcome.

One rule: FAIL and UNSTABLE stand. A table runs again only if it was not run, could not be tested
in an earlier attempt, or passed before the chip was reseated; nothing is repeated until it passes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import InitVar, dataclass, field
from datetime import UTC, datetime

from harness.errors import LinkError
from harness.intake.steps import Result
from harness.judge import Case, RetryPolicy, not_run
from harness.rack import Station, not_back
from harness.records import Outcome, Reason, Verdict

MOVED = "it passed before the chip was off its board, and must run again"
MAX_SHOWN = 3
"""Maximum number of tables named that did not pass."""

Key = tuple[str, str]


@dataclass
class TableStep:
    """One pass over the tables; ``outcomes`` are already known.

    ``measured`` are the tables that got an outcome from the board in this pass.
    """

    station: Station
    cases: Sequence[Case]
    outcomes: InitVar[Sequence[Outcome]]
    choice: str
    keep: Callable[[Outcome], None]
    say: Callable[[str], None]
    measured: set[Key] = field(default_factory=set, init=False)
    _over: tuple[Reason, str] | None = field(default=None, init=False)
    """Why no more tables are run."""

    def __post_init__(self, outcomes: Sequence[Outcome]) -> None:
        self.know(outcomes)

    def know(self, outcomes: Sequence[Outcome]) -> None:
        """Take these as the verdicts of the tables, which are settled together."""
        self._verdicts = {(o.design, o.table): o.verdict for o in outcomes}

    def run(self, retried: Collection[Key]) -> str | None:
        """Run the open tables; returns a text if one did not pass and no choice was made.

        ``retried`` are tables that run again if they could not be tested.
        """
        waiting = [case for case in self.cases if self._is_open(case, retried)]
        if self.choice == "stop":
            self._stop_after_what_failed(waiting)
        for left, case in zip(range(len(waiting) - 1, -1, -1), waiting, strict=True):
            if self._over is not None:
                self._record(not_run(case, *self._over, datetime.now(UTC)))
                continue
            outcome = self._outcome(case)
            self._record(outcome)
            self.measured.add(key_of(case))
            self._tell(outcome)
            if outcome.verdict.good or self._over is not None:
                continue
            where = "/".join(key_of(case))
            if self.choice == "stop":
                self._over = _stopped(where)
            elif not self.choice and left:
                return f"{where} is {outcome.verdict}, {left} more to run"
        return None

    @property
    def result(self) -> Result:
        """Whether every table passed."""
        return Result.DONE if self._passed == len(self.cases) else Result.FAILED

    @property
    def text(self) -> str:
        """``33 of 34 passed``, which did not, and why others were not run."""
        parts = [f"{self._passed} of {len(self.cases)} passed"]
        bad = [(key, verdict) for key, verdict in self._verdicts.items() if _is_bad(verdict)]
        names = [f"{'/'.join(key)} {verdict}" for key, verdict in bad[:MAX_SHOWN]]
        if len(bad) > MAX_SHOWN:
            names.append(f"{len(bad) - MAX_SHOWN} more")
        parts += [", ".join(names)] if names else []
        parts += [self._over[1]] if self._over is not None else []
        return "; ".join(parts)

    @property
    def left(self) -> int:
        """How many tables have no verdict yet."""
        return sum(not self._verdict(case).judged for case in self.cases)

    @property
    def _passed(self) -> int:
        return sum(self._verdict(case).good for case in self.cases)

    def _verdict(self, case: Case) -> Verdict:
        return self._verdicts.get(key_of(case), Verdict.NOT_RUN)

    def _is_open(self, case: Case, retried: Collection[Key]) -> bool:
        verdict = self._verdict(case)
        return verdict is Verdict.NOT_RUN or (verdict is Verdict.ERROR and key_of(case) in retried)

    def _stop_after_what_failed(self, waiting: Sequence[Case]) -> None:
        """After ``stop``, find the table that the person was asked about: it ran before."""
        ran = [case for case in self.cases if case not in waiting]
        bad = [case for case in ran if not self._verdict(case).good]
        if bad:
            self._over = _stopped("/".join(key_of(bad[-1])))

    def _outcome(self, case: Case) -> Outcome:
        """Run one table; a link that is lost for good ends the step."""
        ran = self.station.run(case, RetryPolicy())
        if ran.gone is not None:
            self._over = Reason.BOARD_UNUSABLE, f"the board did not come back: {ran.gone}"
            return not_back(ran.outcome, str(ran.gone))
        if ran.broken is not None:
            self._over = Reason.FAULT_BEFORE, str(ran.broken)
            if isinstance(ran.broken, LinkError):
                self._over = Reason.LINK_LOST_BEFORE, f"the link was lost ({ran.broken})"
        return ran.outcome

    def _record(self, outcome: Outcome) -> None:
        self.keep(outcome)
        self._verdicts[outcome.design, outcome.table] = outcome.verdict

    def _tell(self, outcome: Outcome) -> None:
        self.say(f"  {outcome.design} / {outcome.table}: {outcome.verdict}")
        if not outcome.verdict.good:
            self.say(f"    {outcome.summary}")


def _is_bad(verdict: Verdict) -> bool:
    return not verdict.good and verdict is not Verdict.NOT_RUN


def _stopped(where: str) -> tuple[Reason, str]:
    return Reason.STOPPED_AFTER_FAILURE, f"stopped early, as requested, after {where}"


def key_of(case: Case) -> Key:
    """Identify a table by design and name."""
    return case.design.name, case.spec.name

"""Runs an intake's tables on one chip, quick ones first, and keeps each outcome.

One rule: FAIL and UNSTABLE stand. Only a table that was not run, could not be tested in an
earlier try, or passed before the chip was seated anew, has another turn; nothing is repeated until
it passes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from harness.errors import BoardLost, BoardSilent, HarnessError, HostMisuse, LinkError
from harness.intake.model import Result
from harness.intake.order import Chosen
from harness.intake.seat import Seat
from harness.judge import Case, Examination, RetryPolicy, examine, not_run, unusable
from harness.rack import within
from harness.records import Outcome, Verdict

AGAIN = "The link was lost once, and the table was run again from its start."
MOVED = "it passed before the chip was off its board, and is to be run again"
SHOWN = 3
"""So many tables that did not pass are named."""

_AWAY = BoardLost | BoardSilent


Key = tuple[str, str]


@dataclass
class TableRun:
    """One go through the tables; see :meth:`run`.

    ``retried`` are tables that may run again if they could not be tested.
    """

    seat: Seat
    tables: tuple[Chosen, ...]
    choice: str
    retried: frozenset[Key]
    _verdicts: dict[Key, Verdict] = field(default_factory=dict, init=False)
    measured: set[Key] = field(default_factory=set, init=False)
    """Tables that got an outcome from the board in this go."""
    _board: str = field(default="", init=False)
    _why: str = field(default="", init=False)
    _selected: str = field(default="", init=False)

    def run(self) -> str | None:
        """Run what is to be run; a text if a table did not pass and nobody chose what then."""
        self.seat.session()
        record = self.seat.record()
        self._board = record.board_serial
        self._verdicts = {(o.design, o.table): o.verdict for o in record.outcomes}
        waiting = [chosen for chosen in self.tables if self._is_open(_key(chosen))]
        if self.choice == "stop":
            self._stop_after_what_failed()
        for place, chosen in enumerate(waiting):
            if self._why:
                self._keep(not_run(self._case(chosen), self._why, datetime.now(UTC)))
                continue
            outcome = self._outcome(chosen)
            self._keep(outcome)
            self.measured.add(_key(chosen))
            self._tell(outcome)
            if outcome.verdict.good or self._why:
                continue
            where = f"{outcome.design}/{outcome.table}"
            if self.choice == "stop":
                self._why = _stopped(where)
            elif not self.choice and place + 1 < len(waiting):
                left = len(waiting) - place - 1
                return f"{where} is {outcome.verdict}, {left} more to run"
        return None

    @property
    def result(self) -> Result:
        """Whether every table passed."""
        return Result.DONE if self._passed == len(self.tables) else Result.FAILED

    @property
    def text(self) -> str:
        """``33 of 34 passed``, which did not, and why others were not run."""
        told = [f"{self._passed} of {len(self.tables)} passed"]
        bad = [(key, verdict) for key, verdict in self._verdicts.items() if _is_bad(verdict)]
        names = [f"{'/'.join(key)} {verdict}" for key, verdict in bad[:SHOWN]]
        if len(bad) > SHOWN:
            names.append(f"{len(bad) - SHOWN} more")
        told += [", ".join(names)] if names else []
        told += [self._why] if self._why else []
        return "; ".join(told)

    @property
    def left(self) -> int:
        """How many tables have no verdict yet."""
        found = (self._verdicts.get(_key(chosen), Verdict.NOT_RUN) for chosen in self.tables)
        return sum(not verdict.judged for verdict in found)

    @property
    def _passed(self) -> int:
        return sum(self._verdicts.get(_key(chosen), Verdict.NOT_RUN).good for chosen in self.tables)

    def _is_open(self, key: Key) -> bool:
        verdict = self._verdicts.get(key, Verdict.NOT_RUN)
        return verdict is Verdict.NOT_RUN or (key in self.retried and verdict is Verdict.ERROR)

    def _stop_after_what_failed(self) -> None:
        """A person who chose to stop was asked about a table that ran already."""
        keys = [_key(chosen) for chosen in self.tables]
        bad = [key for key in keys if not self._is_open(key) and not self._verdicts[key].good]
        if bad:
            self._why = _stopped("/".join(bad[-1]))

    def _outcome(self, chosen: Chosen) -> Outcome:
        """Run one table, once more from its start if the link is lost in it."""
        found = self._examined(chosen)
        if not isinstance(found.lost, _AWAY):
            return self._settled(found)
        self.seat.lost(found.lost)
        try:
            self.seat.session()
        except LinkError as error:
            self._why = f"the board did not come back: {error}"
            summary = f"{found.outcome.summary} It did not come back: {error}."
            return replace(found.outcome, summary=summary)
        finally:
            self.seat.remarked.clear()  # the outcome says it
        again = self._settled(self._examined(chosen))
        return replace(again, summary=f"{again.summary} {AGAIN}")

    def _examined(self, chosen: Chosen) -> Examination:
        """Select and examine; what went wrong is in the examination, never raised."""
        case, started = self._case(chosen), datetime.now(UTC)

        def work() -> Examination:
            session = self.seat.session()
            if self._selected != case.design.name:
                session.select(case.design)
                self._selected = case.design.name
            return examine(session, case, RetryPolicy())

        def broken(error: HarnessError) -> Examination:
            return Examination(unusable(case, error, started), error)

        found = within(f"slot {self.seat.slot.name}", work, broken)
        if found.lost is not None:
            self._selected = ""
        return found

    def _settled(self, found: Examination) -> Outcome:
        """Take an outcome as it is; a link that is broken for good ends the step."""
        if found.lost is not None and not isinstance(found.lost, HostMisuse):
            self.seat.close()
            lost = isinstance(found.lost, LinkError)
            self._why = f"the link was lost ({found.lost})" if lost else str(found.lost)
        return found.outcome

    def _keep(self, outcome: Outcome) -> None:
        self.seat.store.record_outcome(self.seat.run_id, outcome)
        self._verdicts[outcome.design, outcome.table] = outcome.verdict

    def _tell(self, outcome: Outcome) -> None:
        self.seat.say(f"  {outcome.design} / {outcome.table}: {outcome.verdict}")
        if not outcome.verdict.good:
            self.seat.say(f"    {outcome.summary}")

    def _case(self, chosen: Chosen) -> Case:
        return _case_of(self.seat, self._board, chosen)


def forget_passes(seat: Seat, tables: tuple[Chosen, ...]) -> None:
    """Let every table that passed run again, for the chip may not sit as it did.

    Until then its outcome in the store is NOT RUN. FAIL and UNSTABLE stand.
    """
    record = seat.record()
    passed = {(o.design, o.table) for o in record.outcomes if o.verdict.good}
    for chosen in tables:
        if _key(chosen) in passed:
            case = _case_of(seat, record.board_serial, chosen)
            seat.store.record_outcome(seat.run_id, not_run(case, MOVED, datetime.now(UTC)))


def _case_of(seat: Seat, board: str, chosen: Chosen) -> Case:
    design, spec, pattern = chosen
    slot = seat.slot
    return Case(slot.name, slot.chip, board, seat.rack.shuttle, design, spec, pattern)


def _is_bad(verdict: Verdict) -> bool:
    return not verdict.good and verdict is not Verdict.NOT_RUN


def _stopped(where: str) -> str:
    return f"stopped early, as chosen, after {where}"


def _key(chosen: Chosen) -> Key:
    design, spec, _ = chosen
    return design.name, spec.name

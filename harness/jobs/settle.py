"""Give a run its final verdicts, its causes, and the result of its continuity tests.

One rule: evidence is never changed, and what cannot be worked out stays provisional.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from harness.blame import board_causes, prove_pins, settle
from harness.errors import HarnessError
from harness.jobs.diagnose import with_suspects
from harness.rack import (
    PREDICTING,
    ContinuityTest,
    Job,
    Rack,
    Slot,
    news_if_slow,
    split_key,
    unobserved,
    within,
)
from harness.records import ChipRecord, Outcome, RehearsalResult, RunRecord, SlotPins, Verdict
from harness.rehearse import Cache, Key, predict
from harness.store import Store

MAX_EARLIER = 2
"""Maximum number of earlier runs of a rack that are read."""
MAX_DECIDING = 3
"""Maximum number of tables of a cause that run again to settle it."""
UNSETTLED = (
    "the causes could not be worked out ({error}), so the verdicts of failing tables stay "
    "provisional"
)


@dataclass(frozen=True, eq=False)
class Evaluator:
    """What runs of a rack are evaluated with: their tables ``jobs``.

    One whose file is not the one that ran is left out. ``tell`` gets a sentence if predictions take
    long; what ``heed`` raises ends them.
    """

    rack: Rack
    jobs: Sequence[Job]
    tell: Callable[[str], None] = unobserved
    heed: Callable[[], None] = lambda: None

    def keep(self, run_id: str, store: Store) -> RunRecord:
        """Evaluate a stored run and keep the result; returns the run as it then is.

        If that fails, what is stored stays as it was, provisional, and ``tell`` gets a sentence.
        Raises StoreError, and what ``heed`` raises.
        """
        run = store.run(run_id)

        def failed(error: HarnessError) -> RunRecord:
            self.tell(UNSETTLED.format(error=error))
            return run

        earlier = earlier_runs(run, store)
        found = within("causes", lambda: self.judged(run, earlier), failed)
        before = set(map(id, run.outcomes))
        store.record_outcomes(run_id, (o for o in found.outcomes if id(o) not in before))
        decisions = {cause.key: cause.overruled for cause in run.causes}
        causes = tuple(replace(c, overruled=decisions.get(c.key)) for c in found.causes)
        if causes != run.causes:
            store.record_causes(run_id, found.causes)
        for pins in found.continuity:
            if pins not in run.continuity:
                store.record_continuity(run_id, pins)
        return replace(found, causes=causes)

    def judged(self, run: RunRecord, earlier: Sequence[RunRecord] = ()) -> RunRecord:
        """Evaluate a run, and add the suspects inside designs that are to blame."""
        return with_suspects(self.evaluate(run, earlier), self.rack.shuttle, self.jobs)

    def evaluate(self, run: RunRecord, earlier: Sequence[RunRecord] = ()) -> RunRecord:
        """Return a run with the verdicts, causes and continuity tests that its evidence gives.

        Where all tables passed only those of the continuity test are predicted, so that a good run
        waits for nothing.
        """
        rack, run = self.rack, replace(run, continuity=tuple(_without_repeated(run)))
        outcomes = run.evidence
        ran = {(o.design, o.table): o.table_sha256 for o in outcomes}
        own = [job for job in self.jobs if ran.get(job.key) == job.pattern.sha256]
        if all(o.verdict is Verdict.PASS for o in outcomes):
            test = {name for pins in run.continuity for name in pins.tables}
            own = [job for job in own if "/".join(job.key) in test]
        chosen = ((job.design, job.spec, job.pattern) for job in own)
        with news_if_slow(self.tell, PREDICTING):
            predictions = predict(rack.shuttle, chosen, rack.profile, cache=Cache(), heed=self.heed)
        rehearsed = {
            job.key: job.rehearsal.result is RehearsalResult.PASSES
            for job in own
            if job.rehearsal.result in {RehearsalResult.PASSES, RehearsalResult.FAILS}
        }
        settled = settle(run, predictions, rehearsed, earlier)
        now = {o.key: o for o in settled.outcomes}
        chips = tuple(
            replace(chip, outcomes=tuple(now.get(o.key, o) for o in chip.outcomes))
            for chip in run.chips
        )
        by_slot = {chip.slot: chip.outcomes for chip in chips}
        continuity = tuple(
            prove_pins(pins, by_slot.get(pins.slot, ()), predictions, settled.causes)
            for pins in run.continuity
        )
        return replace(run, chips=chips, causes=settled.causes, continuity=continuity)

    def suspicion(
        self,
        begun: RunRecord,
        test: ContinuityTest,
        chip: ChipRecord,
        outcomes: tuple[Outcome, ...],
    ) -> str:
        """Say what a slot's continuity test alone suspects of the board; empty if nothing."""
        slot = Slot(chip.slot, chip.port, chip.board_serial, chip.chip_serial)
        pins, _ = test.of_slot(self.rack, slot)
        run = replace(begun, chips=(chip,), continuity=(replace(pins, extras=outcomes),))
        causes = board_causes(self.evaluate(run).causes)
        return " ".join(f"{cause.summary} {cause.advice}".strip() for cause in causes)


def earlier_runs(run: RunRecord, store: Store) -> tuple[RunRecord, ...]:
    """Read the runs of the same rack before this one, newest first; none if all tables passed.

    They say what a moved chip or board did there.
    """
    if all(outcome.verdict is Verdict.PASS for outcome in run.outcomes):
        return ()
    before = (
        heading.run_id
        for heading in store.headings(run.rack)
        if heading.started < run.started and heading.finished is not None
    )
    return tuple(store.run(run_id) for run_id in islice(before, MAX_EARLIER))


def deciding_tables(run: RunRecord) -> Mapping[str, Collection[Key]]:
    """Return by slot the tables that may settle a cause by running more often.

    Those are the ones that an open cause asks for, or its own, if their answers differ; of these
    the requested ones, since what the continuity test adds has no outcome of its own.
    """
    unsteady = {(o.slot, f"{o.design}/{o.table}") for o in run.outcomes if _differs(o)}
    requested = {(o.slot, (o.design, o.table)) for o in run.outcomes}
    found: dict[str, set[Key]] = {}
    for cause in run.causes:
        for slot in cause.slots if not cause.settled else ():
            own = [table for table in cause.tables if (slot, table) in unsteady]
            keys = {split_key(table) for table in (cause.ask or own[:MAX_DECIDING]) if own}
            found.setdefault(slot, set()).update(k for k in keys if (slot, k) in requested)
    return {slot: keys for slot, keys in found.items() if keys}


def _differs(outcome: Outcome) -> bool:
    return len({attempt.signature for attempt in outcome.attempts}) > 1


def _without_repeated(run: RunRecord) -> Iterator[SlotPins]:
    """Leave out extra tables that the slot ran again later, as requested ones."""
    ran = {o.key for o in run.outcomes if o.verdict is not Verdict.NOT_RUN}
    for pins in run.continuity:
        extras = (o for o in pins.extras if o.key not in ran)
        yield replace(pins, extras=tuple(extras))

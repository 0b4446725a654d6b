"""Run a rack: designs and tables in, every outcome in the store, the run's record out.

One rule: this combines the rooms; a slot's worker decides what happens in the slot.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version

from harness.errors import (
    Cancelled,
    ConfigError,
    Finding,
    Location,
    PortUnavailable,
    RunUnfit,
    StoreError,
    ToolFault,
)
from harness.jobs.choices import STORE
from harness.jobs.settle import Evaluator, deciding_tables
from harness.jobs.stale import warn_of_stale
from harness.jobs.stores import AnyStore, named_run, opened, patiently
from harness.jobs.tables import load_jobs
from harness.judge import Case, RetryPolicy, joined, not_run
from harness.rack import (
    ContinuityTest,
    Job,
    Locks,
    Observer,
    Rack,
    RunMeans,
    Slot,
    SlotWorker,
    StopSwitch,
    UnderWay,
    as_news,
    cases,
    continuity_test,
    reach,
    run_slots,
    unobserved,
    unreached,
)
from harness.records import ChipRecord, Outcome, Reason, RunKind, RunRecord, Verdict
from harness.rehearse import Key
from harness.store import Store

BROKEN_OFF = "the run broke off before this table"
RUNS_PER_ROUND = 5
"""How often a table runs in one round that is to settle a cause."""


def run(
    rack: Rack,
    store: AnyStore = STORE,
    designs: Sequence[str] = (),
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
    resume: str = "",
    rounds: int = 0,
) -> RunRecord:
    """Run every table of the chosen designs on every chip of a rack.

    ``designs`` are names or patterns of designs (``crc*``) or tables (``crc16/hand``); none means
    all. A table whose expected values are unconfirmed runs only if it is named. ``observe`` gets
    the events of ``harness.rack``, from several threads; an outcome is stored before its event.
    Ctrl-C, or ``stop``, ends the run early: results so far are kept, the rest is marked as not run,
    and causes that would take long to work out are left to ``resume``.
    A store that is away for a while is waited for, and ``observe`` gets news of it.

    ``resume`` is the id of a run that was killed or stopped, or ``latest``: it is finished with the
    designs that it was started with. Tables with an outcome are not run again, except those stored
    as NOT RUN.

    At the end every verdict becomes final: causes are worked out from all outcomes together. Where
    answers that differ leave a cause open, its deciding tables run :data:`RUNS_PER_ROUND` times
    more, in at most ``rounds`` rounds.

    Raises ConfigError for a design that does not exist, InputError with every finding if a
    table, or with a virtual slot a netlist, cannot be used, PortUnavailable while another process
    changes the voltage of the rack's bench supply, VirtualError if virtual boards cannot be
    started, and StoreError if results cannot be kept. With ``resume`` also ConfigError if rack,
    shuttle, profile or a table has changed, StoreError if the run is still under way, and RunUnfit
    if it is finished or an intake. Faults of a board or a link never raise: they are in the
    outcomes.
    """
    with opened(store) as kept:
        run_id = id_to_resume(kept, resume)
        jobs = load_jobs(rack, designs, as_news(observe))
        warn_of_stale(jobs, as_news(observe))
        begun = check_resumable(run_id, rack, kept, jobs) if run_id else new_run(rack)
        return run_from(begun, rack, kept, jobs, policy, observe, stop, rounds)


def id_to_resume(store: Store, name: str) -> str:
    """Return the id of the run to resume; empty for a new run. Raises StoreError."""
    return named_run(store, name, RunKind.RUN).run_id if name else ""


def check_resumable(run_id: str, rack: Rack, store: Store, jobs: Sequence[Job]) -> RunRecord:
    """Read a stored run that can be resumed with these files; raises as :func:`run`."""
    before = store.run_to_resume(run_id)
    if before.finished is not None and not before.cancelled:
        raise RunUnfit(f"{store.place}: run {run_id} is finished, so there is nothing to resume")
    check_same(before, rack, jobs)
    return before


def run_from(
    begun: RunRecord,
    rack: Rack,
    store: Store,
    jobs: Sequence[Job],
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
    rounds: int = 0,
) -> RunRecord:
    """Run the tables that have no outcome yet; see :func:`run`.

    ``begun`` is a heading made by :func:`new_run`, or a stored run to resume.
    """
    switch = stop if stop is not None else StopSwitch()
    floor = _Floor(rack, store, policy or RetryPolicy(), observe, switch)
    with patiently(store, observe, switch):
        test = _measure(begun, floor, jobs)
        cancelled = switch.stopped
        with _saying_how_to_finish(begun):
            try:
                _settle(begun.run_id, floor, (*jobs, *test.extras), rounds)
            except Cancelled:
                cancelled = True
            store.finish_run(begun.run_id, datetime.now(UTC), cancelled=cancelled)
            return store.run(begun.run_id)


@dataclass(frozen=True)
class _Floor:
    """Where a run is measured, and who hears of it."""

    rack: Rack
    store: Store
    policy: RetryPolicy
    observe: Observer
    stop: StopSwitch

    @property
    def tell(self) -> Callable[[str], None]:
        """What reports news of the whole rack."""
        return as_news(self.observe)

    @contextmanager
    def locked(self, run: RunRecord) -> Iterator[Locks]:
        """Keep other processes from the run; raises StoreError if one has it."""
        with Locks(f"run {run.run_id} of {self.rack.name}") as locks:
            try:
                locks.take(f"run {run.run_id}")
            except PortUnavailable as error:
                raise StoreError(f"{self.store.place}: {error}") from error
            yield locks

    @contextmanager
    def working(
        self, run: RunRecord, rack: Rack, keep: Callable[[Outcome], None], locks: Locks
    ) -> Iterator[Callable[[Iterable[tuple[Slot, Sequence[Case]]], ContinuityTest], None]]:
        """Reach the boards; yields what runs the tables of slots, after those of a test."""
        observe = UnderWay(self.observe, run.run_id)
        # who answered, for stations that start again
        known = {chip.slot: replace(chip, trouble="", outcomes=()) for chip in run.chips}
        with reach(rack, locks, observe=observe) as reached:
            if reached.remark:
                self.tell(reached.remark)
            store = self.store
            means = RunMeans(
                reached.open_slot,
                partial(store.record_chip, run.run_id),
                keep,
                partial(store.record_continuity, run.run_id),
                self.policy,
                self.stop,
                observe,
            )

            def work(left: Iterable[tuple[Slot, Sequence[Case]]], test: ContinuityTest) -> None:
                workers = [
                    SlotWorker(
                        slot,
                        waiting,
                        means,
                        reached.addresses.get(slot.name, {}),
                        known.get(slot.name),
                        *test.of_slot(rack, slot),
                    )
                    for slot, waiting in left
                ]
                run_slots({worker.slot: worker.run for worker in workers}, self.stop)

            yield work


@contextmanager
def _saying_how_to_finish(begun: RunRecord) -> Iterator[None]:
    """Add to an error of the store what is kept of the run, and how to finish it."""
    try:
        yield
    except StoreError as error:
        how = f"--resume {begun.run_id} finishes this run"
        raise StoreError(f"{error}; results already reported are kept, and {how}") from error


def _measure(run: RunRecord, floor: _Floor, jobs: Sequence[Job]) -> ContinuityTest:
    """Run every slot, the tables of the continuity test first; gives that test."""
    with floor.locked(run) as locks:
        if run.chips:  # until the lock another process may have added outcomes
            run = floor.store.run(run.run_id)
        test = continuity_test(floor.rack, jobs, floor.tell, floor.stop.heed)
        _run_all(run, floor, jobs, test, locks)
        return test


def _settle(run_id: str, floor: _Floor, jobs: Sequence[Job], rounds: int) -> None:
    """Work out the causes; raises Cancelled if that takes long and the run was asked to stop."""
    evaluator = Evaluator(floor.rack, jobs, floor.tell, floor.stop.heed)
    settled = evaluator.keep(run_id, floor.store)
    for _ in range(rounds):
        if not (deciding := deciding_tables(settled)) or floor.stop.stopped:
            break
        _repeat(settled, floor, jobs, deciding)
        settled = evaluator.keep(run_id, floor.store)


def _run_all(
    run: RunRecord, floor: _Floor, jobs: Sequence[Job], test: ContinuityTest, locks: Locks
) -> None:
    rack, store = floor.rack, floor.store
    left = list(_left(rack, test.order(jobs), run))
    if not left:  # a run that was stopped while its causes were worked out needs no board
        store.resume_run(run.run_id)
        return
    keep = partial(store.record_outcome, run.run_id)
    with floor.working(run, rack, keep, locks) as work:
        if run.chips:
            store.resume_run(run.run_id)
        else:
            planned = tuple(planned_chip(rack, slot, jobs) for slot in rack.slots)
            store.start_run(replace(run, chips=planned))
        with _saying_how_to_finish(run), suppress(ToolFault):
            # a table whose outcome could not be stored stays as planned: NOT RUN
            work(left, test)


def _repeat(
    run: RunRecord, floor: _Floor, jobs: Sequence[Job], deciding: Mapping[str, Collection[Key]]
) -> None:
    """Run these tables of each slot some times more; their evidence adds up."""
    before = {outcome.key: outcome for outcome in run.outcomes}
    slots = tuple(slot for slot in floor.rack.slots if slot.name in deciding)

    def keep(again: Outcome) -> None:
        first = before[again.key]
        floor.store.record_outcome(run.run_id, joined(first, again))

    again = replace(floor, policy=RetryPolicy(minimum_runs=RUNS_PER_ROUND))
    rack = replace(floor.rack, slots=slots)
    with again.locked(run) as locks, again.working(run, rack, keep, locks) as work:
        left = [
            (slot, cases(rack, slot, (job for job in jobs if job.key in deciding[slot.name])))
            for slot in slots
        ]
        work(left, ContinuityTest())


def new_run(rack: Rack, kind: RunKind = RunKind.RUN) -> RunRecord:
    """Make the heading of a run of this rack, or of an intake on it, with a new id."""
    started = datetime.now(UTC)
    shuttle, profile = rack.shuttle, rack.profile
    return RunRecord(
        run_id=f"{started:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}",
        kind=kind,
        started=started,
        finished=None,
        tool_version=version("harness"),
        shuttle=shuttle.name,
        organisation=shuttle.organisation,
        shuttle_file=shuttle.path.name,
        shuttle_sha256=shuttle.sha256,
        profile=profile.name,
        profile_file=profile.path.name,
        profile_sha256=profile.sha256,
        rack=rack.name,
        rack_file=rack.path.name if rack.path is not None else "",
        rack_sha256=rack.sha256,
        cancelled=False,
        chips=(),
        causes=(),
        continuity=(),
    )


def check_same(before: RunRecord, rack: Rack, jobs: Sequence[Job]) -> None:
    """Check that a run is resumed with the files it was started with; raises ConfigError."""
    now = new_run(rack)
    pairs = (
        ("rack", rack.file, before.rack_sha256, now.rack_sha256),
        ("shuttle", rack.shuttle.path, before.shuttle_sha256, now.shuttle_sha256),
        ("profile", rack.profile.path, before.profile_sha256, now.profile_sha256),
    )
    changed = [(what, path) for what, path, old, new in pairs if old != new]
    tables = {(job.design.name, job.spec.name): job for job in jobs}
    for outcome in before.outcomes:
        job = tables.get((outcome.design, outcome.table))
        if job is not None and job.pattern.sha256 != outcome.table_sha256:
            changed.append(("table", job.spec.path))
    if changed:
        raise ConfigError(
            Finding(
                "changed-since",
                Location(path),
                f"the {what} has changed since run {before.run_id} began",
                "put the old file back, or start a new run",
            )
            for what, path in dict.fromkeys(changed)
        )


def _left(
    rack: Rack, jobs: Sequence[Job], run: RunRecord
) -> Iterator[tuple[Slot, tuple[Case, ...]]]:
    """Yield each slot with its remaining tables; a new run has every slot."""
    done = {outcome.key for outcome in run.outcomes if outcome.verdict is not Verdict.NOT_RUN}
    for slot in rack.slots:
        left = tuple(
            case
            for case in cases(rack, slot, jobs)
            if (slot.name, case.design.name, case.spec.name) not in done
        )
        if left or not run.chips:
            yield slot, left


def planned_chip(rack: Rack, slot: Slot, jobs: Sequence[Job]) -> ChipRecord:
    """Record every table of a chip as NOT RUN, in case the run breaks off."""
    now = datetime.now(UTC)
    waiting = (
        not_run(case, Reason.RUN_BROKE_OFF, BROKEN_OFF, now) for case in cases(rack, slot, jobs)
    )
    return replace(unreached(slot), outcomes=tuple(waiting))

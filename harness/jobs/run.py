"""The whole job: rack, designs and tables in; every outcome in the store; the run's record out.

One rule: this is where the rooms are put together; what a slot does is its worker's business.
"""

from __future__ import annotations

import fnmatch
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version

from harness.errors import (
    ConfigError,
    Finding,
    InputError,
    Location,
    PortUnavailable,
    RunUnfit,
    StoreError,
    ToolFault,
)
from harness.judge import Case, RetryPolicy, compared, not_run
from harness.rack import (
    Locks,
    Observer,
    Rack,
    RackNews,
    RunMeans,
    Slot,
    SlotWorker,
    StopSwitch,
    check_rack_models,
    interrupts_stop,
    reach,
    run_slots,
    unobserved,
    unreached,
)
from harness.records import ChipRecord, RunKind, RunRecord, Verdict
from harness.shuttle import Design, Shuttle, TableSpec, nearest
from harness.store import Store
from harness.table import Pattern, load_table

BROKEN_OFF = "the run broke off before this table had its turn"


@dataclass(frozen=True, eq=False)
class Job:
    """One table to run on every chip."""

    design: Design
    spec: TableSpec
    pattern: Pattern


def run_rack(
    rack: Rack,
    store: Store,
    designs: Sequence[str] = (),
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
) -> RunRecord:
    """Run every table of the chosen designs on every chip of a rack.

    ``designs`` are names or patterns such as ``crc*``; none means all. Every outcome is in the
    store when ``observe`` hears of it. Ctrl-C, or ``stop``, ends the run early: what was measured
    is kept, the rest is marked as not run. A store that is away for a while is waited for, and
    ``observe`` hears of it.

    Raises ConfigError for a design that does not exist, InputError with every finding if a
    table, or with a virtual slot a netlist, cannot be used, PortUnavailable while somebody else
    changes the voltage of the rack's bench supply, VirtualError if virtual boards cannot be
    started, and StoreError if results cannot be kept. Nothing a board or a link does raises: that
    is in the outcomes.
    """
    return run_from(
        new_run(rack), rack, store, load_rack_jobs(rack, designs), policy, observe, stop
    )


def resume_rack(
    run_id: str,
    rack: Rack,
    store: Store,
    designs: Sequence[str] = (),
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
) -> RunRecord:
    """Finish a run that was killed or stopped: what has an outcome is not measured again.

    A table that is kept as NOT RUN is run now. ``designs`` are those that the run was started
    with. Raises ConfigError if rack, shuttle, profile or a table is not what it was, StoreError
    if the run is still under way, RunUnfit if it is finished or an intake, and what
    :func:`run_rack` raises.
    """
    jobs = load_rack_jobs(rack, designs)
    before = check_resumable(run_id, rack, store, jobs)
    return run_from(before, rack, store, jobs, policy, observe, stop)


def check_resumable(run_id: str, rack: Rack, store: Store, jobs: Sequence[Job]) -> RunRecord:
    """Read a stored run that can go on with these files; raises as :func:`resume_rack`."""
    before = store.run_to_resume(run_id)
    if before.finished is not None and not before.cancelled:
        message = f"{store.place}: run {run_id} is finished, so there is nothing to resume"
        raise RunUnfit(message)
    check_same(before, rack, jobs)
    return before


def run_from(
    run: RunRecord,
    rack: Rack,
    store: Store,
    jobs: Sequence[Job],
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
) -> RunRecord:
    """Run what a run has no outcome for yet; see :func:`run_rack`.

    ``run`` is a heading made by :func:`new_run`, or a stored run to go on with.
    """
    switch = stop if stop is not None else StopSwitch()
    with patiently(store, observe, switch):
        _measure(run, rack, store, jobs, policy or RetryPolicy(), observe, switch)
        cancelled = switch.stopped
        with _saying_how_to_finish(run):
            store.record_outcomes(run.run_id, compared(store.run(run.run_id)))
            store.finish_run(run.run_id, datetime.now(UTC), cancelled=cancelled)
            return store.run(run.run_id)


@contextmanager
def patiently(store: Store, observe: Observer, stop: StopSwitch) -> Iterator[None]:
    """Wait, inside, for a store that is away, until Ctrl-C or the switch ends that."""
    with (
        interrupts_stop(stop),
        store.waiting(lambda text: observe(RackNews(text)), lambda: stop.stopped),
    ):
        yield


@contextmanager
def _saying_how_to_finish(run: RunRecord) -> Iterator[None]:
    """Have an error of the store say what is kept of a run that is begun, and what to do."""
    try:
        yield
    except StoreError as error:
        how = f"--resume {run.run_id} finishes this run"
        message = f"{error}; what was told as measured is kept, and {how}"
        raise StoreError(message) from error


def _measure(
    run: RunRecord,
    rack: Rack,
    store: Store,
    jobs: Sequence[Job],
    policy: RetryPolicy,
    observe: Observer,
    stop: StopSwitch,
) -> None:
    """Take the run and its boards, and run every slot to its end."""
    known = {chip.slot: replace(chip, trouble="", outcomes=()) for chip in run.chips}
    holder = f"run {run.run_id} of {rack.name}"
    with Locks(holder) as locks, reach(rack, locks) as reached:
        _take_run(run, store, locks)
        if reached.remark:
            observe(RackNews(reached.remark))
        means = RunMeans(
            reached.open_slot,
            partial(store.record_chip, run.run_id),
            partial(store.record_outcome, run.run_id),
            policy,
            stop,
            observe,
        )
        workers = [
            SlotWorker(
                slot, cases, means, reached.addresses.get(slot.name, {}), known.get(slot.name)
            )
            for slot, cases in _left(rack, jobs, run)
        ]
        if run.chips:
            store.resume_run(run.run_id)
        else:
            planned = tuple(_planned(rack.shuttle, slot, jobs) for slot in rack.slots)
            store.start_run(replace(run, chips=planned))
        with _saying_how_to_finish(run), suppress(ToolFault):
            # what a slot could not even tell stays planned: NOT RUN
            run_slots({worker.slot: worker.run for worker in workers}, stop)


def load_jobs(shuttle: Shuttle, designs: Sequence[str] = ()) -> tuple[Job, ...]:
    """Read every table of the chosen designs, in the shuttle's order.

    Raises ConfigError for a pattern that fits no design, InputError with the findings of all
    tables that cannot be read.
    """
    return _usable(*_read_jobs(shuttle, choose_designs(shuttle, designs)))


def load_rack_jobs(rack: Rack, designs: Sequence[str] = ()) -> tuple[Job, ...]:
    """Read every table of the chosen designs, and their netlists if there is a virtual slot.

    Raises as :func:`load_jobs`, with the findings of the netlists among them.
    """
    chosen = choose_designs(rack.shuttle, designs)
    jobs, findings = _read_jobs(rack.shuttle, chosen)
    return _usable(jobs, [*findings, *check_rack_models(rack, chosen)])


def _usable(jobs: Sequence[Job], findings: Sequence[Finding]) -> tuple[Job, ...]:
    if findings:
        raise InputError(findings)
    return tuple(jobs)


def _read_jobs(shuttle: Shuttle, designs: Sequence[Design]) -> tuple[list[Job], list[Finding]]:
    """Read every table of these designs; what can be read, and what is wrong with the others."""
    findings: list[Finding] = []
    jobs: list[Job] = []
    for design in designs:
        for spec in design.tables:
            try:
                jobs.append(Job(design, spec, load_table(spec, design, shuttle)))
            except InputError as error:
                findings.extend(error.findings)
    return jobs, findings


def choose_designs(shuttle: Shuttle, wanted: Sequence[str]) -> tuple[Design, ...]:
    """Pick the designs whose names fit one of the patterns; all if there is no pattern."""
    names = list(shuttle.designs_by_name)
    lost = [name for name in wanted if not fnmatch.filter(names, name)]
    if lost:
        raise ConfigError(
            Finding(
                "unknown-design",
                Location(shuttle.path),
                f'no design of {shuttle.name} fits "{name}"',
                nearest(name, names),
            )
            for name in lost
        )
    return tuple(
        design
        for design in shuttle.designs
        if not wanted or any(fnmatch.fnmatchcase(design.name, name) for name in wanted)
    )


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
    )


def check_same(before: RunRecord, rack: Rack, jobs: Sequence[Job]) -> None:
    """See that a run goes on with the files that it was begun with; raises ConfigError."""
    now = new_run(rack)
    pairs = (
        ("rack", rack.path or rack.shuttle.path, before.rack_sha256, now.rack_sha256),
        ("shuttle", rack.shuttle.path, before.shuttle_sha256, now.shuttle_sha256),
        ("profile", rack.profile.path, before.profile_sha256, now.profile_sha256),
    )
    changed = [(what, path) for what, path, old, new in pairs if old != new]
    tables = {(job.design.name, job.spec.name): job for job in jobs}
    for outcome in (outcome for chip in before.chips for outcome in chip.outcomes):
        job = tables.get((outcome.design, outcome.table))
        if job is not None and job.pattern.sha256 != outcome.table_sha256:
            changed.append(("table", job.spec.path))
    if changed:
        raise ConfigError(
            Finding(
                "changed-since",
                Location(path),
                f"the {what} is not what it was when run {before.run_id} began",
                "put the old file back, or start a new run",
            )
            for what, path in dict.fromkeys(changed)
        )


def _take_run(run: RunRecord, store: Store, locks: Locks) -> None:
    """Make sure that nobody else works on this run; raises StoreError."""
    try:
        locks.take(f"run {run.run_id}")
    except PortUnavailable as error:
        message = f"{store.place}: {error}"
        raise StoreError(message) from error


def _left(
    rack: Rack, jobs: Sequence[Job], run: RunRecord
) -> Iterator[tuple[Slot, tuple[Case, ...]]]:
    """Slots that have something to do, and what; a slot of a new run is always there."""
    done = {
        (outcome.slot, outcome.design, outcome.table)
        for chip in run.chips
        for outcome in chip.outcomes
        if outcome.verdict is not Verdict.NOT_RUN
    }
    for slot in rack.slots:
        cases = tuple(
            case
            for case in _cases(rack.shuttle, slot, jobs)
            if (slot.name, case.design.name, case.spec.name) not in done
        )
        if cases or not run.chips:
            yield slot, cases


def _cases(shuttle: Shuttle, slot: Slot, jobs: Sequence[Job]) -> list[Case]:
    return [
        Case(slot.name, slot.chip, slot.board, shuttle, job.design, job.spec, job.pattern)
        for job in jobs
    ]


def _planned(shuttle: Shuttle, slot: Slot, jobs: Sequence[Job]) -> ChipRecord:
    """Give a chip every table as not run: what stays so if the run breaks off in any way."""
    now = datetime.now(UTC)
    waiting = (not_run(case, BROKEN_OFF, now) for case in _cases(shuttle, slot, jobs))
    return replace(unreached(slot), outcomes=tuple(waiting))

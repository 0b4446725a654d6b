"""The whole job: rack, designs and tables in; every outcome in the store; the run's record out.

One rule: this is where the rooms are put together. Whether a slot is real or virtual is decided
here, once, by the address that its session is opened at.
"""

from __future__ import annotations

import fnmatch
import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version

from harness.board import open_session
from harness.errors import ConfigError, Finding, InputError, Location
from harness.judge import Case, ChipRecord, Outcome, RetryPolicy, RunRecord, compared, not_run
from harness.rack import (
    BoardSession,
    Observer,
    Opener,
    Rack,
    Slot,
    SlotWorker,
    StopSwitch,
    find_port,
    run_slots,
    unobserved,
)
from harness.shuttle import Design, Shuttle, TableSpec, nearest
from harness.store import Store
from harness.table import Pattern, load_table
from harness.virtual import VirtualBoardSpec, VirtualRack

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
    is kept, the rest is marked as not run.

    Raises ConfigError for a design that does not exist, TableError with every finding if a
    table cannot be read, VirtualError if virtual boards cannot be started, and StoreError if
    results cannot be kept. Nothing a board or a link does raises: that is in the outcomes.
    """
    jobs = load_jobs(rack.shuttle, designs)
    run = _heading(rack)
    switch = stop if stop is not None else StopSwitch()
    sink = _RunSink(store, run.run_id)
    with _ports(rack) as addresses:
        opener = _opener(rack, addresses)
        workers = [
            SlotWorker(
                slot,
                _cases(rack.shuttle, slot, jobs),
                opener,
                sink,
                policy if policy is not None else RetryPolicy(),
                switch,
                observe,
            )
            for slot in rack.slots
        ]
        planned = (
            _planned(worker.record, rack.shuttle, slot, jobs)
            for worker, slot in zip(workers, rack.slots, strict=True)
        )
        store.start_run(replace(run, chips=tuple(planned)))
        run_slots(workers, switch)
    for outcome in compared(store.run(run.run_id)):
        store.record_outcome(run.run_id, outcome)
    store.finish_run(run.run_id, datetime.now(UTC), cancelled=switch.stopped)
    return store.run(run.run_id)


def load_jobs(shuttle: Shuttle, designs: Sequence[str] = ()) -> tuple[Job, ...]:
    """Read every table of the chosen designs, in the shuttle's order.

    Raises ConfigError for a pattern that fits no design, InputError with the findings of all
    tables that cannot be read.
    """
    findings: list[Finding] = []
    jobs: list[Job] = []
    for design in choose_designs(shuttle, designs):
        for spec in design.tables:
            try:
                jobs.append(Job(design, spec, load_table(spec, design, shuttle)))
            except InputError as error:
                findings.extend(error.findings)
    if findings:
        raise InputError(findings)
    return tuple(jobs)


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


class _RunSink:
    """The store, for one run."""

    def __init__(self, store: Store, run_id: str) -> None:
        self._store = store
        self._run_id = run_id

    def record_chip(self, chip: ChipRecord) -> None:
        """Keep a chip's identity."""
        self._store.record_chip(self._run_id, chip)

    def record_outcome(self, outcome: Outcome) -> None:
        """Keep one outcome."""
        self._store.record_outcome(self._run_id, outcome)


def _heading(rack: Rack) -> RunRecord:
    started = datetime.now(UTC)
    shuttle, profile = rack.shuttle, rack.profile
    return RunRecord(
        run_id=f"{started:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}",
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


def _cases(shuttle: Shuttle, slot: Slot, jobs: Sequence[Job]) -> list[Case]:
    return [
        Case(slot.name, slot.chip, slot.board, shuttle, job.design, job.spec, job.pattern)
        for job in jobs
    ]


def _planned(chip: ChipRecord, shuttle: Shuttle, slot: Slot, jobs: Sequence[Job]) -> ChipRecord:
    """Give a chip every table as not run: what stays so if the run breaks off in any way."""
    now = datetime.now(UTC)
    waiting = (not_run(case, BROKEN_OFF, now) for case in _cases(shuttle, slot, jobs))
    return replace(chip, outcomes=tuple(waiting))


@contextmanager
def _ports(rack: Rack) -> Iterator[Mapping[str, str]]:
    """Start the rack's virtual boards, if it has any; addresses by slot name."""
    specs = [
        VirtualBoardSpec(
            slot=slot.name,
            board_serial=slot.board,
            chip_serial=slot.chip,
            shuttle_path=rack.shuttle.path,
            profile_path=rack.profile.path,
            defects=slot.defects,
            board_faults=slot.board_faults,
            link_faults=slot.link_faults,
        )
        for slot in rack.slots
        if slot.virtual
    ]
    if not specs:
        yield {}
        return
    with VirtualRack(specs) as boards:
        yield dict(boards.ports)


def _opener(rack: Rack, addresses: Mapping[str, str]) -> Opener:
    simulated = replace(rack.profile, backend="virtual")

    def open_slot(slot: Slot) -> BoardSession:
        if slot.name in addresses:
            return open_session(addresses[slot.name], simulated, rack.shuttle)
        return open_session(slot.port or find_port(slot.board), rack.profile, rack.shuttle)

    return open_slot

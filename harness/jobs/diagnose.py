"""Suspects inside the designs that triage takes to be defective on a chip.

One rule: it begins where triage ends. Board, wiring, table and pads are settled before; where they
are not, what triage says is all there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from harness.bundle import Places, find_input
from harness.diagnose import Answered, Defective, Table, answered, diagnose, quick_diagnosis
from harness.errors import RunUnfit
from harness.jobs.choices import LATEST, STORE
from harness.jobs.stores import AnyStore, existing, named_run
from harness.rack import Job, read_jobs, usable
from harness.records import (
    Cause,
    CauseKind,
    Diagnosis,
    MarginRecord,
    Outcome,
    RunRecord,
)
from harness.rehearse import Gates, table_rows
from harness.shuttle import Shuttle, load_shuttle
from harness.spread import HERE, Workers, spread
from harness_reports import suspects_json, write_file

MAX_QUICK_WORK = 100_000_000
"""Cycles times the square of gates, which faults grow with: a design that takes about a second is
diagnosed when a run ends; others wait for the command."""


@dataclass(frozen=True)
class Diagnosed:
    """A run, and the causes of failures on one of its chips, with their suspects.

    ``changed`` names tables that are not what was run any more, and were left out.
    """

    run: RunRecord
    causes: tuple[Cause, ...]
    changed: tuple[str, ...]


def diagnose_chip(
    chip: str,
    design: str = "",
    run: str = LATEST,
    places: Places | None = None,
    store: AnyStore = STORE,
    workers: Workers = HERE,
) -> Diagnosed:
    """Look for suspects inside the designs that may be defective on a chip, and keep them.

    ``design`` leaves out all other designs. The run's shuttle is searched for below the current
    folder unless ``places`` names it. ``workers`` share the designs and chips. Raises RunUnfit if
    the run has no such chip or design, BundleError if the shuttle is missing or has changed,
    StoreError, InputError if a table cannot be read, and ClusterError if a cluster cannot be used.
    """
    with existing(store) as kept:
        record = named_run(kept, run)
        ran = _of_chip(record, chip, design)
        shuttle = load_shuttle(find_input(record, "shuttle", places or Places()))
        names = {outcome.design for outcome in ran}
        wanted = [(d, spec) for d in shuttle.designs if d.name in names for spec in d.tables]
        jobs = usable(*read_jobs(shuttle, wanted))
        evidence = _Evidence(record, shuttle, jobs)
        asked = [
            list(evidence.wanted(cause, names, kept.margins(chip=chip)))
            if chip in cause.chips
            else list(cause.suspects)
            for cause in record.causes
        ]
        causes = tuple(_with_suspects(record.causes, asked, workers))
        if causes != record.causes:
            kept.record_causes(record.run_id, causes)
    sums = {job.key: job.pattern.sha256 for job in jobs}
    changed = {o.table_file for o in ran if sums.get((o.design, o.table)) != o.table_sha256}
    of_chip = tuple(cause for cause in causes if chip in cause.chips)
    return Diagnosed(replace(record, causes=causes), of_chip, tuple(sorted(changed)))


_Wanted = partial[Diagnosis]
"""A diagnosis that is to be made."""


def _with_suspects(
    causes: Sequence[Cause], asked: Sequence[Sequence[Diagnosis | _Wanted]], workers: Workers
) -> Iterator[Cause]:
    """Give causes what was ``asked`` for each, and make the diagnoses among that."""
    wanted = [one for each in asked for one in each if isinstance(one, partial)]
    made = iter(spread(_made, wanted, workers))
    for cause, each in zip(causes, asked, strict=True):
        found = tuple(next(made) if isinstance(one, partial) else one for one in each)
        yield replace(cause, suspects=found)


def _made(wanted: _Wanted) -> Diagnosis:
    return wanted()


def write_suspects(diagnosed: Diagnosed, path: str | Path) -> None:
    """Write the suspects of a chip as JSON. Raises StoreError if the file cannot be written."""
    found = [one for cause in diagnosed.causes for one in cause.suspects]
    place = Path(path)
    write_file(place, suspects_json(found).encode(), place.parent)


def with_suspects(run: RunRecord, shuttle: Shuttle, jobs: Sequence[Job]) -> RunRecord:
    """Return a run whose causes have suspects, as far as that takes no time."""
    evidence = _Evidence(run, shuttle, jobs)
    causes = (replace(c, suspects=tuple(evidence.quick(c))) for c in run.causes)
    return replace(run, causes=tuple(causes))


def suspected(cause: Cause) -> tuple[str, ...]:
    """Designs that may be defective by a cause: the first explanation's, or any's if it is open.

    None if a person decided that it is something else.
    """
    if cause.overruled is not None and cause.overruled.kind is not CauseKind.DESIGN_DEFECT:
        return ()
    near = cause.candidates[:1] if cause.settled else cause.candidates
    named = [c.design for c in near if c.kind is CauseKind.DESIGN_DEFECT and c.design]
    return tuple(dict.fromkeys(named))


def _of_chip(run: RunRecord, chip: str, design: str) -> list[Outcome]:
    """Outcomes of a chip; raises RunUnfit if there are none."""
    chips = sorted({each.chip_serial for each in run.chips})
    own = [o for each in run.chips if each.chip_serial == chip for o in each.outcomes]
    if not own:
        known = ", ".join(chips) or "none"
        raise RunUnfit(f"run {run.run_id} has no results of chip {chip}; it has: {known}")
    found = [outcome for outcome in own if design in ("", outcome.design)]
    if not found:
        names = ", ".join(sorted({outcome.design for outcome in own}))
        raise RunUnfit(f"chip {chip} ran no table of {design} in {run.run_id}; it ran: {names}")
    return found


class _Evidence:
    """What the chips of a run answered, with the tables and gates to compare it with."""

    def __init__(self, run: RunRecord, shuttle: Shuttle, jobs: Sequence[Job]) -> None:
        self._shuttle, self._jobs = shuttle, jobs
        self._gates = Gates(shuttle)
        self._outcomes = run.evidence

    def quick(self, cause: Cause) -> Iterator[Diagnosis]:
        """Rank stuck-at faults of small designs with short tables."""
        for name in suspected(cause):
            for one in self._defective(cause, name):
                gates = one.netlist.gate_count + one.netlist.flop_count
                cycles = sum(table.cycles for table in one.tables)
                if gates * gates * cycles <= MAX_QUICK_WORK:
                    yield quick_diagnosis(one)

    def wanted(
        self, cause: Cause, designs: Iterable[str], margins: Sequence[MarginRecord]
    ) -> Iterator[Diagnosis | _Wanted]:
        """Ask for all that may be wrong in some designs; what was found in others stays."""
        for name in suspected(cause):
            if name not in designs:
                yield from (old for old in cause.suspects if old.design == name)
                continue
            for one in self._defective(cause, name):
                others = tuple(self._others(one))
                slower = _slower(one.tables, name, margins)
                yield partial(diagnose, one, others, self._shuttle, slower_passes=slower)

    def _defective(self, cause: Cause, name: str) -> Iterator[Defective]:
        """The design on each chip of a cause, if anything it answered can be compared."""
        design, model = self._shuttle.designs_by_name.get(name), self._gates.model(name)
        if design is None or model is None:
            return
        for slot, chip in zip(cause.slots, cause.chips, strict=True):
            tables = tuple(self._answered(slot, name))
            if any(table.failed for table in tables):
                yield Defective(slot, chip, design, model[0], tables)

    def _answered(self, slot: str, name: str) -> Iterator[Answered]:
        jobs = {job.key: job for job in self._jobs}
        for outcome in self._outcomes:
            job = jobs.get((outcome.design, outcome.table))
            if (outcome.slot, outcome.design) != (slot, name) or job is None:
                continue
            if job.pattern.sha256 != outcome.table_sha256:
                continue
            table = answered(outcome, job.pattern, job.spec, self._shuttle)
            if table is not None:
                yield table

    def _others(self, one: Defective) -> Iterator[Table]:
        """Tables of a design that did not run on a chip."""
        ran = {table.name for table in one.tables}
        for job in self._jobs:
            name = "/".join(job.key)
            if job.key[0] == one.design.name and name not in ran:
                rows, lead = table_rows(job.pattern, job.spec, self._shuttle)
                yield Table(name, rows, lead, tuple(job.pattern.line.tolist()))


def _slower(tables: Iterable[Answered], design: str, margins: Iterable[MarginRecord]) -> bool:
    """Whether a search has seen the design pass at a lower rate than that of a failing table."""
    passed = [
        edge.highest_hz
        for margin in margins
        if margin.design == design
        for edge in margin.edges
        if edge.highest_hz
    ]
    failed = [table.clock_hz for table in tables if table.failed]
    return any(low < high for low in passed for high in failed)

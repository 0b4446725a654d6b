"""The tables that run on a rack: read once, then combined with the chip in a slot."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple

from harness.errors import Finding, InputError
from harness.grade import coverages
from harness.judge import Case
from harness.rack.events import unobserved
from harness.rack.model import Rack, Slot
from harness.rack.slow import news_if_slow, seldom
from harness.records import Rehearsal
from harness.rehearse import Cache, Key, Rehearser
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import Pattern, load_table

REHEARSING = "reading tables, and rehearsing them on their designs' netlists"
AT_TABLE = "rehearsing {name}, table {number} of {total}"


class Job(NamedTuple):
    """One table to run."""

    design: Design
    spec: TableSpec
    pattern: Pattern
    rehearsal: Rehearsal

    @property
    def key(self) -> Key:
        """Names of the design and of the table."""
        return self.design.name, self.spec.name


def read_jobs(
    shuttle: Shuttle,
    wanted: Iterable[tuple[Design, TableSpec]],
    tell: Callable[[str], None] = unobserved,
) -> tuple[list[Job], list[Finding]]:
    """Read tables and rehearse them; returns those that can be read, and others' findings.

    ``tell`` gets a sentence if that takes long, and more of them if it takes very long.
    """
    tables = tuple(wanted)
    at_table = seldom(tell)
    findings: list[Finding] = []
    rehearser = Rehearser(shuttle, Cache())
    jobs: list[Job] = []
    with news_if_slow(tell, REHEARSING):
        for number, (design, spec) in enumerate(tables, 1):
            name = f"{design.name}/{spec.name}"
            at_table(AT_TABLE.format(name=name, number=number, total=len(tables)))
            try:
                pattern = load_table(spec, design, shuttle)
                rehearsal = rehearser.rehearse(design, spec, pattern)
                jobs.append(Job(design, spec, pattern, rehearsal))
            except InputError as error:
                findings.extend(error.findings)
    return _with_coverage(shuttle, jobs), findings


def _with_coverage(shuttle: Shuttle, jobs: Iterable[Job]) -> list[Job]:
    """Add to rehearsals what kept grades say, as far as they are of these tables."""
    patterns: dict[str, dict[str, Pattern]] = {}
    jobs = list(jobs)
    for job in jobs:
        patterns.setdefault(job.design.name, {})[job.spec.name] = job.pattern
    known = {
        name: coverages(shuttle.designs_by_name[name], shuttle, tables)
        for name, tables in patterns.items()
    }
    return [
        job._replace(rehearsal=replace(job.rehearsal, coverage=known[job.key[0]].get(job.key[1])))
        for job in jobs
    ]


def usable(jobs: Iterable[Job], findings: Iterable[Finding]) -> tuple[Job, ...]:
    """Return the tables; raises InputError if there are findings."""
    if wrong := tuple(findings):
        raise InputError(wrong)
    return tuple(jobs)


def cases(rack: Rack, slot: Slot, jobs: Iterable[Job]) -> tuple[Case, ...]:
    """Combine tables with the chip in a slot."""
    return tuple(Case(slot.name, slot.chip, slot.board, rack.shuttle, *job) for job in jobs)

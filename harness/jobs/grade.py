"""Grade tables: what they would notice on the gates of their designs.

One rule: what is kept says what it was made from; a grade of other gates or rows is out of date.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from harness.errors import Finding, Location, Severity
from harness.grade import (
    GRADE_FILE,
    GradedTable,
    Prover,
    grade_design,
    kept_grade,
    no_prover,
    prove,
)
from harness.grouping import grouped
from harness.jobs.cells import gates_for, on_simple
from harness.jobs.choices import Cells
from harness.jobs.stale import stale_netlists
from harness.jobs.tables import choose_tables, confirmed
from harness.netlist import Netlist
from harness.rack import Job, news_if_slow, read_jobs, unobserved, usable
from harness.records import DesignGrade, RehearsalResult, WaiverRecord, encode, to_lines
from harness.rehearse import Gates, table_rows
from harness.shuttle import Design, Shuttle
from harness.spread import HERE, Workers, spread
from harness_reports import write_file

GRADING = "grading tables on their designs' gates"


@dataclass(frozen=True)
class GradedDesign:
    """A design with its grade, or ``why`` it has none.

    ``path`` is the file that the grade was kept in; None if only some tables were asked for.
    """

    design: str
    grade: DesignGrade | None
    why: str = ""
    path: Path | None = None
    findings: tuple[Finding, ...] = ()


def grade_tables(
    shuttle: Shuttle,
    tables: Sequence[str] = (),
    tell: Callable[[str], None] = unobserved,
    workers: Workers = HERE,
    cells: Cells = Cells.OWN,
) -> tuple[GradedDesign, ...]:
    """Grade the tables of designs, each alone and all together.

    ``tables`` are names or patterns of designs (``crc*``) or tables (``crc16/stream``); none means
    all. The grade of a design of which all tables were graded is kept beside its ``design.toml``.
    ``tell`` gets a sentence if it takes long, and for each table that is left out. ``workers``
    share the designs; the grades are the same. A grade on other ``cells`` than the design's own
    says so, and is not kept. Raises ConfigError for a name that matches nothing, InputError with
    every finding if a table cannot be read, ClusterError if a cluster cannot be used.
    """
    wanted = choose_tables(shuttle, tables)
    kept = confirmed(wanted, tell)
    jobs = usable(*read_jobs(shuttle, ((one.design, one.spec) for one in kept), tell))
    by_design = grouped((job.design.name, job) for job in jobs)
    with news_if_slow(tell, GRADING):
        gates = Gates(shuttle)
        tasks = {name: _task(shuttle, gates, jobs, cells) for name, jobs in by_design.items()}
        grades = _grades([task for task in tasks.values() if isinstance(task, _Task)], workers)
    named = {one.design.name for one in wanted if one.named}
    return tuple(
        GradedDesign(name, None, task)
        if isinstance(task, str)
        else _kept(shuttle, task, grades[name], whole=name not in named)
        for name, task in tasks.items()
    )


def _grades(tasks: Sequence[_Task], workers: Workers) -> dict[str, DesignGrade]:
    """Grade designs; what takes longest begins first, so that no process ends long after others."""
    order = sorted(tasks, key=lambda task: -task.work)
    grades = spread(_grade, order, workers)
    return {grade.design: grade for grade in grades}


@dataclass(frozen=True, eq=False)
class _Task:
    """What the grade of a design is made from."""

    design: Design
    netlist: Netlist
    prepared: str
    key: str
    tables: Sequence[GradedTable]
    waivers: Mapping[str, WaiverRecord]
    prover: Prover | str

    @property
    def work(self) -> int:
        """What the time that it takes grows with."""
        cycles = sum(int(table.rows[:, 6].sum()) for table in self.tables if not table.why)
        return cycles * self.netlist.gate_count


def _task(shuttle: Shuttle, gates: Gates, jobs: Sequence[Job], cells: Cells) -> _Task | str:
    """Gather what a grade is made from; or say why there is none."""
    design = jobs[0].design
    graded = gates_for(design, shuttle, gates, cells)
    if isinstance(graded, str):
        return graded
    tables = [graded_table(shuttle, job) for job in jobs]
    if graded.prepared:
        tables = on_simple(design, graded.netlist, tables)
    return _Task(
        design,
        *graded,
        gates.key(design.name),
        tables,
        _waivers(shuttle, design),
        no_prover() or prove,
    )


def _grade(task: _Task) -> DesignGrade:
    grade = grade_design(
        task.design, task.netlist, task.key, task.tables, task.waivers, task.prover
    )
    return replace(grade, prepared=task.prepared)


def _kept(shuttle: Shuttle, task: _Task, grade: DesignGrade, *, whole: bool) -> GradedDesign:
    """Keep a grade if it is of all tables of its design."""
    complete = whole and not task.prepared and not any(table.why for table in task.tables)
    path = task.design.folder / GRADE_FILE if complete else None
    if path is not None:
        write_file(path, (to_lines(encode(grade)) + "\n").encode(), task.design.folder)
    findings = (*stale_netlists([task.design]), *_needless(shuttle, task.waivers, grade))
    return GradedDesign(task.design.name, grade, "", path, findings)


def kept_grades(shuttle: Shuttle) -> tuple[DesignGrade, ...]:
    """Read the grades that are kept beside designs, as they were made; some may be out of date."""
    found = (kept_grade(design.folder) for design in shuttle.designs)
    return tuple(grade for grade in found if grade is not None)


def graded_table(shuttle: Shuttle, job: Job) -> GradedTable:
    """Make the rows of a table ready to be graded, or say why they are not."""
    rows, lead = table_rows(job.pattern, job.spec, shuttle)
    fails = job.rehearsal.result is RehearsalResult.FAILS
    why = "it fails on the design's own netlist: run harness rehearse" if fails else ""
    return GradedTable(job.spec.name, rows, lead, why or job.rehearsal.why)


def _waivers(shuttle: Shuttle, design: Design) -> Mapping[str, WaiverRecord]:
    """Waivers of the design's faults that have not expired, by the names of faults."""
    return {
        one.fault: WaiverRecord(one.owner, one.reason, one.ticket, one.expiry.isoformat())
        for one in shuttle.waivers
        if one.fault and one.design == design.name and one.expiry >= date.today()
    }


def _needless(
    shuttle: Shuttle, waivers: Mapping[str, WaiverRecord], grade: DesignGrade
) -> Iterator[Finding]:
    """Warn about waivers of faults that some table detects, or that there are not."""
    used = {fault.waived_as for fault in grade.missed}
    for name in waivers:
        if name not in used:
            yield Finding(
                "waiver-not-needed",
                Location(shuttle.path),
                f'{grade.design} has no undetected fault "{name}"',
                "remove the waiver, or correct the name of the fault",
                Severity.WARNING,
            )

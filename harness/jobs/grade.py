"""Grade tables: what they would notice on the gates of their designs.

One rule: what is kept says what it was made from; a grade of other gates or rows is out of date.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from harness.errors import Finding, Location, Severity, netlist_advice
from harness.grade import GRADE_FILE, GradedTable, grade_design, no_prover, prove
from harness.jobs.tables import LEFT_OUT, WantedTable, choose_tables
from harness.rack import Job, news_if_slow, read_jobs, unobserved, usable
from harness.records import DesignGrade, RehearsalResult, WaiverRecord, encode, to_lines
from harness.rehearse import Gates, table_rows
from harness.shuttle import Design, Shuttle
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
    shuttle: Shuttle, tables: Sequence[str] = (), tell: Callable[[str], None] = unobserved
) -> tuple[GradedDesign, ...]:
    """Grade the tables of designs, each alone and all together.

    ``tables`` are names or patterns of designs (``crc*``) or tables (``crc16/stream``); none means
    all. The grade of a design of which all tables were graded is kept beside its ``design.toml``.
    ``tell`` gets a sentence if it takes long, and for each table that is left out. Raises
    ConfigError for a name that matches nothing, InputError with every finding if a table cannot be
    read.
    """
    wanted = choose_tables(shuttle, tables)
    kept = [one for one in wanted if one.named or not one.spec.unconfirmed]
    for one in wanted:
        if one not in kept:
            tell(LEFT_OUT.format(table=one.name, why=one.spec.unconfirmed))
    jobs = usable(*read_jobs(shuttle, ((one.design, one.spec) for one in kept), tell))
    by_design: dict[str, list[Job]] = {}
    for job in jobs:
        by_design.setdefault(job.design.name, []).append(job)
    gates = Gates(shuttle)
    with news_if_slow(tell, GRADING):
        return tuple(
            _graded(shuttle, gates, jobs[0].design, jobs, whole=_is_whole(wanted, name))
            for name, jobs in by_design.items()
        )


def _is_whole(wanted: Sequence[WantedTable], design: str) -> bool:
    """Whether a design was asked for, and not single tables of it."""
    return not any(one.named for one in wanted if one.design.name == design)


def _graded(
    shuttle: Shuttle, gates: Gates, design: Design, jobs: Sequence[Job], *, whole: bool
) -> GradedDesign:
    """Grade one design, and keep the grade if it is of all its tables."""
    if design.netlist is None:
        why = f"the design has no netlist: {netlist_advice(design.name)}"
        return GradedDesign(design.name, None, why)
    model = gates.model(design.name)
    if model is None:
        return GradedDesign(design.name, None, "its netlist cannot be used: run harness check")
    waivers = _waivers(shuttle, design)
    tables = [graded_table(shuttle, job) for job in jobs]
    grade = grade_design(
        design, model[0], gates.key(design.name), tables, waivers, no_prover() or prove
    )
    complete = whole and not any(table.why for table in tables)
    path = design.folder / GRADE_FILE if complete else None
    if path is not None:
        write_file(path, (to_lines(encode(grade)) + "\n").encode(), design.folder)
    findings = tuple(_needless(shuttle, waivers, grade))
    return GradedDesign(design.name, grade, "", path, findings)


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

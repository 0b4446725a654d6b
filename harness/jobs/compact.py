"""Make a short table from the rows of a design's tables that detect all that these detect.

One rule: the rows are the author's own, in their order; only a reset is written out where the
board did one before a table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from harness.convert import Draft, drafted, save_table
from harness.errors import ConfigError
from harness.grade import Compacted, GradedTable, compact, detect, fault_list
from harness.jobs.choices import SHUTTLE
from harness.jobs.find import DESIGN, netlist_of, open_design
from harness.jobs.grade import graded_table
from harness.jobs.made import rehearsed
from harness.jobs.rehearse import RehearsedTable
from harness.jobs.tables import choose_tables
from harness.netlist import load_netlist, pin_map
from harness.rack import Job, news_if_slow, read_jobs, unobserved, usable
from harness.records import FaultCount
from harness.rehearse import table_rows
from harness.shuttle import Bus, Design, Direction, Shuttle, TableSpec
from harness.table import Pattern, load_table

NAME = "short"
"""Name of the table if nothing is said."""

COMPACTING = "grading each part of the tables, and looking for the shortest choice"


@dataclass(frozen=True)
class TableSize:
    """How long some tables are: ``vectors`` (rows), ``cycles``, and ``seconds`` of clock.

    Resets before row one count; a row that is repeated until its outputs match counts once.
    """

    vectors: int
    cycles: int
    seconds: float


@dataclass(frozen=True)
class KeptLines:
    """Lines ``first`` to ``last`` of a table's file that are kept."""

    table: str
    first: int
    last: int

    def __str__(self) -> str:
        lines = f"{self.first} to {self.last}" if self.last > self.first else str(self.first)
        return f"{self.table}: line{'s' * (self.last > self.first)} {lines}"


@dataclass(frozen=True)
class CompactTable(RehearsedTable):
    """A table made of others: what it is made of, and how long both are and what they detect.

    No choice of these rows that keeps the coverage has fewer cycles than ``least``.
    """

    kept: tuple[KeptLines, ...]
    size_before: TableSize
    size: TableSize
    before: FaultCount
    after: FaultCount
    least: int


def compact_tables(
    design: str | Path,
    tables: Sequence[str] = (),
    name: str = NAME,
    shuttle: str | Path = SHUTTLE,
    tell: Callable[[str], None] = unobserved,
    *,
    replace: bool = False,
) -> CompactTable:
    """Write the fewest rows of a design's tables that detect all faults that the tables detect.

    ``design`` is its name or folder; ``tables`` are names of its tables, none means all but
    ``name``, the table that is written. Tables that cannot be graded are left out, and ``tell``
    gets a sentence for each. Raises ConfigError if nothing is left, InputError with every finding
    if a table cannot be read or the new one cannot be written, NetlistError for a netlist that
    cannot be used.
    """
    known, chosen = open_design(design, shuttle)
    wanted = choose_tables(known, [f"{chosen.name}/{table}" for table in tables or ("*",)])
    specs = [one.spec for one in wanted if one.spec.name != name]
    jobs = usable(*read_jobs(known, ((chosen, spec) for spec in specs), tell))
    sources = list(_sources(known, jobs, tell))
    netlist = netlist_of(chosen, ", so its tables cannot be graded")
    faults = fault_list(load_netlist(netlist, chosen.top))
    pins = pin_map(faults.netlist, chosen)
    with news_if_slow(tell, COMPACTING):
        done = compact(faults, pins, [table for _, table in sources], known)
    if not done.kept:
        message = f'no table of "{chosen.name}" that can be graded detects a fault'
        advice = "run harness grade to see why"
        raise ConfigError.of("nothing-to-compact", chosen.folder / DESIGN, message, advice)
    used = [job for job, _ in sources]
    save_table(chosen, name, _draft(done, used, known).lines(), _settings(used), replace=replace)
    made = rehearsed(chosen, known, name)
    spec, pattern = _read(chosen, name, known)
    found = detect(faults, pins, *table_rows(pattern, spec, known)).found
    return CompactTable(
        **vars(made),
        kept=tuple(_lines(done, used)),
        size_before=_size((job.pattern, job.spec) for job in used),
        size=_size([(pattern, spec)]),
        before=done.count,
        after=FaultCount(len(found), int(found.sum())),
        least=done.least,
    )


def _read(design: Design, table: str, shuttle: Shuttle) -> tuple[TableSpec, Pattern]:
    """Read the table as it was written."""
    _, again = open_design(design.folder, shuttle.path)
    spec = next(spec for spec in again.tables if spec.name == table)
    return spec, load_table(spec, again, shuttle)


def _sources(
    shuttle: Shuttle, jobs: Sequence[Job], tell: Callable[[str], None]
) -> Iterator[tuple[Job, GradedTable]]:
    """Tables that can be graded, and run after each other as one."""
    for job in jobs:
        table = graded_table(shuttle, job)
        why = table.why or (job.spec.unconfirmed and f"expected values: {job.spec.unconfirmed}")
        if job.rehearsal.contended_rows:
            why = job.rehearsal.contention_text
        if why:
            tell(f"{job.design.name}/{job.spec.name} is left out: {why}")
        else:
            yield job, table


def _settings(jobs: Sequence[Job]) -> dict[str, object]:
    """Settings that suit the rows of all tables; resets are in the rows."""
    specs = [job.spec for job in jobs]
    rate, settle = min(s.clock_hz for s in specs), max(s.settle_us for s in specs)
    return {
        "clock_hz": int(rate) if float(rate).is_integer() else rate,
        "settle_us": settle or None,
        "reset_cycles": 0,
        "gap_free": True if any(s.gap_free for s in specs) else None,
        "latency": None,
    }


def _lines(done: Compacted, jobs: Sequence[Job]) -> Iterator[KeptLines]:
    lines = {job.spec.name: job.pattern.line for job in jobs}
    for piece in done.kept:
        line = lines[piece.table]
        yield KeptLines(piece.table, int(line[piece.first]), int(line[piece.last - 1]))


def _size(tables: Iterable[tuple[Pattern, TableSpec]]) -> TableSize:
    vectors, cycles, seconds = 0, 0, 0.0
    for pattern, spec in tables:
        own = pattern.cycles + spec.reset_cycles
        vectors, cycles = vectors + len(pattern), cycles + own
        seconds += own / spec.clock_hz
    return TableSize(vectors, cycles, seconds)


def _draft(done: Compacted, jobs: Sequence[Job], shuttle: Shuttle) -> Draft:
    """The kept rows one after the other; the first of each piece says where it comes from."""
    by_name = {job.spec.name: job for job in jobs}
    rest = shuttle.rest_levels
    parts: list[Pattern] = []
    notes: list[str] = []
    for piece in done.kept:
        job = by_name[piece.table]
        if piece.reset:
            parts.append(_reset(job.spec, shuttle))
            notes.append(f"the reset before {job.spec.path.name}")
        rows = job.pattern.with_rest(*rest).rows(piece.first, piece.last)
        parts.append(rows)
        notes += [f"{job.spec.path.name}, line {rows.line[0]}", *[""] * (len(rows) - 1)]
    pattern = Pattern.joined(parts, _signals(jobs))
    drawn = drafted(pattern)
    noted = (replace(row, note=note) for row, note in zip(drawn.rows, notes, strict=True))
    return replace(drawn, rows=noted, remarks=("made by harness compact",))


def _signals(jobs: Sequence[Job]) -> tuple[Bus, ...]:
    """Signals of all tables, and those that a reset needs."""
    of_tables = {bus.name: bus for job in jobs for bus in job.pattern.signals}
    control = {Direction.CLOCK, Direction.RESET}
    own = (b for b in jobs[0].design.signals if control & {pin.direction for pin in b.pins})
    return tuple((of_tables | {bus.name: bus for bus in own}).values())


def _reset(spec: TableSpec, shuttle: Shuttle) -> Pattern:
    """The row that does what a board does before a table."""
    drive, enable = shuttle.rest_levels
    words = (
        drive ^ shuttle.mask(Direction.RESET),
        enable,
        shuttle.mask(Direction.CLOCK),
        spec.reset_cycles,
    )
    levels, driven, pulse, repeat = (np.array([word], np.uint32) for word in words)
    return Pattern.of(drive=levels, enable=driven, pulse=pulse, repeat=repeat)

"""Propose rows for the faults that tables do not detect, as a table that nobody has confirmed yet.

One rule: expected values here come from the netlist that is to be tested, so they count for nothing
before the author has compared them with the specification: the table is marked ``unconfirmed``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.convert import Draft, drafted, save_table, table_path
from harness.errors import ConfigError
from harness.grade import (
    Bench,
    FaultList,
    GradedTable,
    Proof,
    Proposal,
    Reach,
    detect,
    fault_list,
    labels,
    no_prover,
    propose,
    prove,
    reach_of,
)
from harness.jobs.find import netlist_of
from harness.jobs.grade import graded_table
from harness.jobs.made import rehearsed
from harness.jobs.rehearse import RehearsedTable
from harness.jobs.tables import choose_tables, confirmed
from harness.netlist import Pin, Rows, load_netlist, pin_map
from harness.rack import Job, news_if_slow, read_jobs, unobserved, usable
from harness.records import FaultCount
from harness.rehearse import table_rows
from harness.shuttle import Shuttle
from harness.table import PLANES, Pattern

MAX_ROWS = 300
"""Maximum number of proposed rows, roughly: the group that passes it is the last."""

FROM_NETLIST = "computed from the netlist"
"""What the mark of a proposed table says."""

SEEKING = "looking for rows that detect more; this takes a minute or two"


@dataclass(frozen=True)
class StrongerTable:
    """What was proposed: the table, None if nothing was found, and the faults before and after.

    ``before`` and ``after`` count what the tables detect without and with the proposed rows;
    ``follows`` is the table whose rows the new one begins with, or empty; ``first_line`` is the
    line of the new table's file with the first proposed row.
    """

    proposal: Proposal
    before: FaultCount
    after: FaultCount
    follows: str = ""
    table: RehearsedTable | None = None
    first_line: int = 0


def strengthen_table(
    shuttle: Shuttle,
    wanted: str,
    name: str = "",
    seed: int = 0,
    limit: int = MAX_ROWS,
    tell: Callable[[str], None] = unobserved,
    *,
    replace: bool = False,
) -> StrongerTable:
    """Write a table with rows that detect faults which other tables of its design do not.

    ``wanted`` is ``design/table``, or a design for what none of its tables detects. The new table
    is called ``name``, or as the wanted one with ``_more``. It begins with the reset of the wanted
    table; without one, with that table's own rows. The same seed gives the same rows. Raises
    ConfigError for a name that matches nothing or a table that cannot be graded, InputError with
    every finding if a table cannot be read or the new one cannot be written, NetlistError for a
    netlist that cannot be used.
    """
    chosen = choose_tables(shuttle, [wanted])
    design = chosen[0].design
    name = name or (f"{chosen[0].spec.name}_more" if "/" in wanted else "more")
    kept = [one for one in confirmed(chosen) if one.design is design and one.spec.name != name]
    netlist = netlist_of(design, ", so nothing can be computed from it")
    table_path(design, name, replace=replace)  # rather now than after minutes
    jobs = usable(*read_jobs(shuttle, ((one.design, one.spec) for one in kept), tell))
    tables = [_usable(graded_table(shuttle, job), job) for job in jobs]
    faults = fault_list(load_netlist(netlist, design.top))
    work = _Work(shuttle, jobs, faults, pin_map(faults.netlist, design))
    with news_if_slow(tell, SEEKING):
        return work.strengthen(tables, name, seed, limit, tell, replace=replace)


def _usable(table: GradedTable, job: Job) -> GradedTable:
    """Refuse a table that detects nothing reliably."""
    if table.why:
        message = f'table "{table.name}" cannot be graded: {table.why}'
        raise ConfigError.of("table-not-graded", job.spec.path, message, "mend the table first")
    return table


@dataclass(frozen=True, eq=False)
class _Work:
    """Tables of one design that are to be strengthened."""

    shuttle: Shuttle
    jobs: Sequence[Job]
    faults: FaultList
    pins: Sequence[Pin]

    def strengthen(
        self,
        tables: Sequence[GradedTable],
        name: str,
        seed: int,
        limit: int,
        tell: Callable[[str], None],
        *,
        replace: bool,
    ) -> StrongerTable:
        """Look for rows, and write them if there are any."""
        found = np.zeros(len(self.faults.faults), dtype=np.bool_)
        for table in tables:
            found |= detect(self.faults, self.pins, table.rows, table.lead).found
        why, none = no_prover(), np.zeros_like(found)
        proof = Proof(none, none) if why else prove(self.faults, ~found)
        untestable = int(proof.untestable.sum())
        before = FaultCount(len(found), int(found.sum()), untestable=untestable)
        first = self._first()
        bench = Bench(self.faults, self.pins, self._before(first), self._reach(first))
        proposal = propose(bench, ~found & ~proof.untestable, seed, limit, tell, why)
        follows = first.spec.name if self._repeats(first) else ""
        if not len(proposal.rows):
            return StrongerTable(proposal, before, before, follows)
        draft = self._draft(proposal, first)
        made = self._write(draft, first, name, replace=replace)
        line = draft.lines_before + (len(first.pattern) if follows else 0) + 1
        gained = sum(group.gained for group in proposal.groups)
        after = dataclasses.replace(before, detected=before.detected + gained)
        return StrongerTable(proposal, before, after, follows, made, line)

    def _first(self) -> Job:
        """The table whose start the new one has: the shortest, if possible one with a reset."""
        return min(self.jobs, key=lambda job: (not job.spec.reset_cycles, len(job.pattern)))

    def _repeats(self, job: Job) -> bool:
        """Whether only the table's own rows bring the design to a known state."""
        return not job.spec.reset_cycles and self.faults.netlist.flop_count > 0

    def _before(self, job: Job) -> Rows:
        own = job.pattern if self._repeats(job) else job.pattern.rows(0, 0)
        return table_rows(own, job.spec, self.shuttle)[0]

    def _reach(self, job: Job) -> Reach:
        return reach_of(job.design, self.shuttle, self.faults.netlist, self.pins)

    def _write(self, draft: Draft, job: Job, name: str, *, replace: bool) -> RehearsedTable:
        save_table(
            job.design,
            name,
            draft.lines(),
            {
                "clock_hz": _whole(job.spec.clock_hz),
                "settle_us": job.spec.settle_us or None,
                "reset_cycles": job.spec.reset_cycles,
                "unconfirmed": FROM_NETLIST,
            },
            replace=replace,
        )
        return rehearsed(job.design, self.shuttle, name)

    def _draft(self, proposal: Proposal, job: Job) -> Draft:
        signals = job.design.signals
        planes = {plane: proposal.rows[:, _COLUMNS[plane]].astype(np.uint32) for plane in PLANES}
        parts = [dataclasses.replace(Pattern.of(signals, **planes), labels=dict(labels(proposal)))]
        if self._repeats(job):
            parts.insert(0, job.pattern.with_rest(*self.shuttle.rest_levels))
        draft = drafted(Pattern.joined(parts, signals))
        remark = f"{FROM_NETLIST} by harness strengthen: compare it with the specification"
        return dataclasses.replace(draft, remarks=(remark,))


_COLUMNS = {"drive": 0, "enable": 1, "pulse": 2, "expect": 3, "care": 4, "highz": 5}


def _whole(rate: float) -> float:
    return int(rate) if float(rate).is_integer() else rate

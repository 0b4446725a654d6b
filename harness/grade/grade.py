"""The grade of a design: what its tables detect, each alone and all together.

The one rule: pure. Tables, netlist, waivers go in; a record comes out. A table that fails on its
own netlist is not graded: what it would detect is not known before it is mended.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

import harness.netlist
from harness.grade.detect import Detected, detect, has_match_loop
from harness.grade.faults import FaultList, Flags, cell_names, fault_list
from harness.grade.missed import missed_faults
from harness.grade.proof import Proof, left_open
from harness.netlist import BRANCH, HEALTHY, Netlist, Pin, Rows, pin_map
from harness.records import (
    CurvePoint,
    DesignGrade,
    FaultCount,
    TableGrade,
    Toggled,
    WaiverRecord,
)
from harness.rehearse import STATES, key_of, power_up
from harness.shuttle import Design

RULES = "2"
"""Version of what counts as what; a grade of another one is out of date."""

MAX_CYCLES = 2_000_000
"""Maximum number of cycles of a table that is graded."""


@dataclass(frozen=True, eq=False)
class GradedTable:
    """A table to grade: its rows, how many of them come before it, and why it is not graded."""

    name: str
    rows: Rows
    lead: int
    why: str = ""

    @property
    def key(self) -> str:
        """Digest of all that is driven and tested."""
        return table_key(self.rows, self.lead)


Prover = Callable[[FaultList, Flags], Proof]
"""Tries to prove some of the faults of a list untestable."""


def table_key(rows: Rows, lead: int) -> str:
    """Make the digest of a table's rows by which a grade knows it again."""
    return key_of("graded table", rows.tobytes(), str(lead))


def grade_design(
    design: Design,
    netlist: Netlist,
    key: str,
    tables: Sequence[GradedTable],
    waivers: Mapping[str, WaiverRecord],
    prover: Prover | str,
) -> DesignGrade:
    """Grade the tables of a design on its netlist, of which ``key`` is the digest.

    ``waivers`` by the names of faults. ``prover`` proves faults untestable, or is why nothing does.
    Raises NetlistError if netlist and design do not fit.
    """
    faults = fault_list(netlist)
    pins = pin_map(faults.netlist, design)
    none = np.zeros(len(faults.faults), dtype=np.bool_)
    levels = np.zeros((2, faults.netlist.net_count), dtype=np.bool_)
    done, found, possible = [], none, none
    for table in tables:
        graded, of_table = _table(faults, pins, table)
        done.append(graded)
        if of_table is not None:
            found, possible = found | of_table.found, possible | of_table.possible
            levels |= _levels(faults.netlist, pins, table)
    possible = possible & ~found
    proof = Proof(none, none) if isinstance(prover, str) else prover(faults, ~found)
    untestable = proof.untestable
    missed = tuple(missed_faults(faults, found, possible, untestable, levels, waivers))
    waived = [fault for fault in missed if fault.waiver and not fault.untestable]
    one = faults.classes
    return DesignGrade(
        RULES,
        design.name,
        key,
        cell_names(netlist),
        _count(found, possible, untestable, sum(fault.alike for fault in waived)),
        _count(found[one], possible[one], untestable[one], len(waived)),
        tuple(done),
        _toggled(faults, levels),
        missed,
        prover if isinstance(prover, str) else left_open(proof),
    )


def _table(
    faults: FaultList, pins: Sequence[Pin], table: GradedTable
) -> tuple[TableGrade, Detected | None]:
    """Grade one table alone; None if it is not graded."""
    rows, lead = table.rows, table.lead
    vectors = len(rows) - lead
    why = table.why
    if not why and int(rows[:, 6].sum()) > MAX_CYCLES:
        why = f"with its repeats it has more than {MAX_CYCLES} cycles"
    if why:
        return TableGrade(table.name, table.key, vectors, why=why), None
    done = detect(faults, pins, rows, lead)
    count = FaultCount(len(done.row), int(done.found.sum()), int(done.possible.sum()))
    curve = _curve(done)
    judged = has_match_loop(rows)
    return TableGrade(table.name, table.key, vectors, count, curve, judged=judged), done


def _curve(done: Detected) -> tuple[CurvePoint, ...]:
    """Faults detected after so many vectors, at each vector that detects any."""
    rows, counts = np.unique(done.row[done.found], return_counts=True)
    points = zip(rows.tolist(), np.cumsum(counts).tolist(), strict=True)
    return tuple(CurvePoint(row + 1, detected) for row, detected in points)


def _levels(netlist: Netlist, pins: Sequence[Pin], table: GradedTable) -> Flags:
    """Levels that nets surely reach, ``(2, nets)``: from every power-up state."""
    reached = harness.netlist.levels_reached(
        netlist, pins, [HEALTHY] * STATES, power_up(netlist), table.rows, table.lead
    )
    surely: Flags = np.all(reached, axis=1)
    return surely


def _toggled(faults: FaultList, levels: Flags) -> Toggled:
    """Toggle coverage of the nets that faults are at."""
    nets = sorted({f.net for f in faults.faults if not f.readers and not _branch(faults, f.net)})
    moved = levels[0] & levels[1]
    names = (faults.netlist.names[net] for net in nets if not moved[net])
    still = tuple(name for name in names if not name.startswith("$"))
    return Toggled(len(nets), int(moved[nets].sum()), still)


def _branch(faults: FaultList, net: int) -> bool:
    return faults.netlist.names[net].startswith(BRANCH)


def _count(found: Flags, possible: Flags, untestable: Flags, waived: int) -> FaultCount:
    return FaultCount(
        len(found),
        int(found.sum()),
        int((possible & ~untestable).sum()),
        int(untestable.sum()),
        waived,
    )

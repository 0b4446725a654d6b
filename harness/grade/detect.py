"""Which faults one table detects: by the vector that first does.

The one rule: a fault is detected only where the healthy chip's answer is known, is tested, and
differs surely, from a power-up state that nobody knows. A match loop ends when a chip answers, so
chips with faults do not share the cycles that follow: a table with one is judged as on a board, in
a lane for each fault, from three known states.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

import harness.netlist
from harness.grade.faults import FaultList, Faults, Flags
from harness.grade.steps import table_steps
from harness.netlist import Pin, Rows, stuck_lanes
from harness.rehearse import STATES, judge_each

UNDETECTED = -1


@dataclass(frozen=True, eq=False)
class Detected:
    """For each fault of a list: the first ``row`` that detects it, or UNDETECTED.

    ``possible``: whether it is not detected, and an answer may differ.
    """

    row: Faults
    possible: Flags

    @property
    def found(self) -> Flags:
        """Faults that are detected."""
        found: Flags = self.row != UNDETECTED
        return found


def has_match_loop(rows: Rows) -> bool:
    """Whether the chip's answers decide how long a table runs."""
    return bool(rows[:, 7].any())


def detect(faults: FaultList, pins: Sequence[Pin], rows: Rows, lead: int) -> Detected:
    """Run a table with every fault; ``pins`` are those of the list's own netlist.

    Rows count from 0 after the first ``lead``, which come before the table and detect nothing.
    """
    if has_match_loop(rows):
        return _judged(faults, pins, rows, lead)
    steps, row = table_steps(faults.netlist, pins, rows, lead)
    first = np.full(len(faults.faults), UNDETECTED)
    possible = np.zeros(len(first), dtype=np.bool_)
    for part in _parts(faults):
        first[part], possible[part] = _graded(faults, part, steps)
    found = first != UNDETECTED
    first[found] = row[first[found]] - lead
    return Detected(first, possible & ~found)


def _graded(faults: FaultList, part: Faults, steps: harness.netlist.Steps) -> tuple[Faults, Flags]:
    """First step for each of some faults, and whether they are possibly detected."""
    chosen = [faults.faults[index] for index in part.tolist()]
    done = harness.netlist.Grader(faults.netlist, chosen, steps).detections()
    return done.first, done.possible


def _parts(faults: FaultList) -> list[Faults]:
    """Faults by what they ask of the engine: one at a set or clear makes it run flops one by one.

    Run with the others, it would slow down all of them.
    """
    controls = {int(net) for net in faults.netlist.tables.groups[:, [5, 7]].reshape(-1)}
    at = np.array([not f.readers and f.net in controls for f in faults.faults], dtype=np.bool_)
    return [part for part in (np.flatnonzero(~at), np.flatnonzero(at)) if len(part)]


def _judged(faults: FaultList, pins: Sequence[Pin], rows: Rows, lead: int) -> Detected:
    chosen = [faults.faults[index] for index in faults.classes.tolist()]
    netlist, lanes = stuck_lanes(faults.netlist, chosen)
    verdicts = judge_each(netlist, pins, lanes, rows, lead)
    wrong: Flags = verdicts.wrong_cycles > 0
    surely: Flags = wrong & ~verdicts.unsettled
    fails = surely.reshape(-1, STATES)
    row = np.where(fails, verdicts.first_row.reshape(-1, STATES) - lead, 0).max(axis=1)
    of = np.searchsorted(faults.classes, faults.alike)
    found: Flags = np.all(fails, axis=1)
    possible: Flags = np.any(fails, axis=1) & ~found
    return Detected(np.where(found, row, UNDETECTED)[of], possible[of])

"""The fewest cycles of a design's tables that detect what all of them detect.

The one rule: what is kept begins with a reset, and counts for what it detects from an unknown
state; so it detects that whatever runs before it, and parts of tables can be joined in any number.
A design without flip-flops and latches needs no reset: each of its rows can be kept alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.grade.cover import Covering, cheapest
from harness.grade.detect import UNDETECTED, detect
from harness.grade.faults import FaultList, Faults, Flags
from harness.grade.grade import GradedTable
from harness.grade.steps import table_steps
from harness.netlist import Netlist, Pin, Rows
from harness.records import FaultCount
from harness.shuttle import Direction, Shuttle

_DRIVE, _PULSE, _COUNT, _UNTIL = 0, 2, 6, 7
_UNKNOWN = 2


@dataclass(frozen=True)
class KeptRows:
    """Rows ``first`` up to but not ``last`` of a table, counted from row one.

    ``reset``: they come after the reset that the board does before the table.
    """

    table: str
    first: int
    last: int
    reset: bool = False


@dataclass(frozen=True, eq=False)
class Compacted:
    """What is kept of some tables, in their order.

    ``count`` is what the tables detect together. ``cycles`` are those of what is kept, resets
    before a table included; no choice has fewer than ``least``.
    """

    kept: tuple[KeptRows, ...]
    count: FaultCount
    cycles: int
    least: int


@dataclass(frozen=True, eq=False)
class _Part:
    """Rows of a table from ``first`` on, that may end after any row.

    ``ends`` are the last rows that are of use, ``cycles`` those up to the end of each, and
    ``detects`` has the end by which each class of faults is detected, or UNDETECTED.
    """

    table: str
    first: int
    reset: bool
    ends: Faults
    cycles: Faults
    detects: Faults


def compact(
    faults: FaultList, pins: Sequence[Pin], tables: Sequence[GradedTable], shuttle: Shuttle
) -> Compacted:
    """Choose rows of tables, which can be graded; ``pins`` are those of the list's own netlist."""
    if faults.netlist.flop_count or faults.netlist.tristates:
        parts = [part for table in tables for part in _parts(faults, pins, table, shuttle)]
    else:
        parts = list(_single_rows(faults, pins, tables))
    begins = np.cumsum([0, *(len(part.ends) for part in parts)])
    covered, by = _covers(parts, begins)
    things = _things(parts, begins)
    choice = cheapest(things, covered, by)
    found = np.zeros(len(faults.classes), dtype=np.bool_)
    found[covered] = True
    every = found[np.searchsorted(faults.classes, faults.alike)]
    return Compacted(
        tuple(_kept(parts, begins, choice.chosen)),
        FaultCount(len(every), int(every.sum())),
        int(things.cost[choice.chosen].sum()),
        choice.least,
    )


def _things(parts: Sequence[_Part], begins: Faults) -> Covering:
    """Ends of parts, each with the cycles since the one before, which must be kept too."""
    cost, after = np.zeros(begins[-1], np.int64), np.arange(-1, begins[-1] - 1)
    for part, begin in zip(parts, begins.tolist(), strict=False):
        cost[begin : begin + len(part.ends)] = np.diff(part.cycles, prepend=0)
    after[begins[:-1][np.diff(begins) > 0]] = -1
    return Covering(cost, after)


def _covers(parts: Sequence[_Part], begins: Faults) -> tuple[Faults, Faults]:
    """Pairs of a class of faults and the end of a part by which it is detected."""
    covered, by = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for part, begin in zip(parts, begins.tolist(), strict=False):
        classes = np.flatnonzero(part.detects != UNDETECTED)
        covered.append(classes)
        by.append(begin + np.searchsorted(part.ends, part.detects[classes]))
    return np.concatenate(covered), np.concatenate(by)


def _kept(parts: Sequence[_Part], begins: Faults, chosen: Flags) -> Iterator[KeptRows]:
    """The longest chosen end of each part; neighbouring rows are one piece."""
    waiting: KeptRows | None = None
    for part, begin in zip(parts, begins.tolist(), strict=False):
        count = int(chosen[begin : begin + len(part.ends)].sum())
        if not count:
            continue
        piece = KeptRows(part.table, part.first, int(part.ends[count - 1]) + 1, part.reset)
        if waiting and (waiting.table, waiting.last) == (piece.table, piece.first):
            piece = KeptRows(piece.table, waiting.first, piece.last, waiting.reset)
        elif waiting:
            yield waiting
        waiting = piece
    if waiting:
        yield waiting


def _parts(
    faults: FaultList, pins: Sequence[Pin], table: GradedTable, shuttle: Shuttle
) -> Iterator[_Part]:
    """A table from row one on, and from each reset in it that makes it pass alone."""
    whole = detect(faults, pins, table.rows, table.lead).row[faults.classes]
    yield _part(table, 0, table.rows, table.lead, whole)
    starts = resets(pins, table, shuttle)
    for first, end in pairwise([*starts, len(table.rows)]):
        rows = table.rows[first:end]
        if passes_alone(faults.netlist, pins, rows):
            detects = detect(faults, pins, rows, 0).row[faults.classes]
            yield _part(table, first - table.lead, rows, 0, detects)


def _part(table: GradedTable, first: int, rows: Rows, lead: int, detects: Faults) -> _Part:
    ends = np.unique(detects[detects != UNDETECTED])
    cycles = np.cumsum(np.where(rows[:, _UNTIL], 1, rows[:, _COUNT]))[ends + lead]
    moved = np.where(detects == UNDETECTED, UNDETECTED, detects + first)
    return _Part(table.name, first, lead > 0, ends + first, cycles, moved)


def resets(pins: Sequence[Pin], table: GradedTable, shuttle: Shuttle) -> list[int]:
    """Rows after row one at which the design's reset becomes active."""
    mask = shuttle.mask(Direction.RESET) & sum(1 << pin.bit for pin in pins)
    at_rest, _ = shuttle.rest_levels
    active = ((table.rows[:, _DRIVE] ^ at_rest) | table.rows[:, _PULSE]) & mask != 0
    begins: NDArray[np.int64] = np.flatnonzero(active[1:] & ~active[:-1]) + 1
    return [int(row) for row in begins if row > table.lead]


def passes_alone(netlist: Netlist, pins: Sequence[Pin], rows: Rows) -> bool:
    """Whether a healthy chip surely passes some rows, whatever its state before them."""
    state = np.full((netlist.flop_count, 1), _UNKNOWN)
    verdicts, notes = harness.netlist.judge_closely(netlist, pins, state, rows)
    settled = not verdicts.unsettled.any()
    return settled and not (verdicts.wrong_cycles.any() or notes.unknown.any())


def _single_rows(
    faults: FaultList, pins: Sequence[Pin], tables: Sequence[GradedTable]
) -> Iterator[_Part]:
    """Rows of tables without a state; of those that detect the same faults, the shortest."""
    cheapest_first: dict[bytes, tuple[int, _Part]] = {}
    for table in tables:
        found = rows_that_detect(faults, pins, table.rows, table.lead)
        cycles = np.where(table.rows[:, _UNTIL], 1, table.rows[:, _COUNT])[table.lead :]
        for row, (cost, classes) in enumerate(zip(cycles.tolist(), found, strict=True)):
            key = np.packbits(classes).tobytes()
            known = cheapest_first.get(key)
            if classes.any() and (known is None or cost < known[0]):
                detects = np.where(classes, row, UNDETECTED)
                end, taken = np.array([row]), np.array([cost])
                part = _Part(table.name, row, False, end, taken, detects)
                cheapest_first[key] = cost, part
    places = {table.name: place for place, table in enumerate(tables)}
    parts = (part for _, part in cheapest_first.values())
    yield from sorted(parts, key=lambda part: (places[part.table], part.first))


def rows_that_detect(faults: FaultList, pins: Sequence[Pin], rows: Rows, lead: int) -> Flags:
    """Which rows of a table without a state detect which classes: ``(rows, classes)``."""
    once = rows[lead:].copy()
    once[:, _COUNT] = 1
    steps, row = table_steps(faults.netlist, pins, once, 0)
    last = np.flatnonzero(np.diff(row, append=len(once)))
    levels, compared = steps.levels[last], steps.compared[last]
    chosen = [faults.faults[index] for index in faults.classes.tolist()]
    found = np.zeros((len(once), len(chosen)), dtype=np.bool_)
    masks, which = np.unique(compared, axis=0, return_inverse=True)
    for place, mask in enumerate(masks):
        observer = harness.netlist.Observer(faults.netlist, chosen, steps.outputs[mask])
        at = np.flatnonzero(which.reshape(-1) == place)
        found[at] = observer.found_by(steps.nets, levels[at]).T
    return found

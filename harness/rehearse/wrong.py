"""The cycles in which one table is wrong under one hypothesis.

The one rule: the same engine as for all hypotheses at once, one lane, cycle by cycle.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.netlist import Extent, Lane, Rows
from harness.rehearse.gates import Model, power_up
from harness.table import Words


class Wrong(NamedTuple):
    """Cycles of a table, counted from 0, in ascending order, and the wrong pins in each."""

    cycles: NDArray[np.int64]
    pins: Words


NOTHING_WRONG = Wrong(np.zeros(0, np.int64), np.zeros(0, np.uint32))


def wrong_cycles(model: Model | None, lane: Lane, state: int, rows: Rows, lead: int) -> Wrong:
    """Run a table in one lane and compare every cycle as the board does."""
    if model is None:
        return NOTHING_WRONG
    netlist, pins = model
    chip = harness.netlist.Chip(netlist, pins, lane, power_up(netlist)[:, state])
    parts: list[NDArray[np.int64]] = []
    for piece, found, used in run_pieces(chip, rows):
        wrong = (found[:, 0] ^ piece[:, 3]) & piece[:, 4]
        if piece[0, 7]:
            parts.append(np.concatenate((np.zeros(used - 1, np.int64), wrong)))
        else:
            parts.append(wrong | (piece[:, 5] & ~found[:, 1]))
    lost = int(rows[:lead, 6].sum())
    all_wrong = np.concatenate(parts)[lost:].astype(np.uint32)
    cycles = np.flatnonzero(all_wrong)
    return Wrong(cycles, all_wrong[cycles])


def run_pieces(chip: harness.netlist.Chip, rows: Rows) -> Iterator[tuple[Rows, Rows, int]]:
    """Run a table piece by piece: its rows, what is read in each (see ``Chip.run``), the cycles.

    A row that waits for a match is a piece of its own; elsewhere a row of a piece is a cycle.
    """
    ran = 0
    for piece in _pieces(rows):
        until = bool(piece[0, 7])
        limit = int(piece[0, 6]) if until and piece[0, 4] else len(piece)
        expect, care = (int(piece[0, 3]), int(piece[0, 4])) if until else (0, 0)
        found, used, _, _ = chip.run(piece, Extent(limit, expect, care, ran, 0, 1 << 60))
        yield piece, found, used
        ran += used


def _pieces(rows: Rows) -> list[Rows]:
    """Cut a table at the rows that wait for a match; elsewhere a row is a cycle."""
    until = rows[:, 7] != 0
    cuts = np.flatnonzero(until | np.concatenate(([False], until[:-1])))
    pieces = np.split(rows, cuts)
    return [
        piece if piece[0, 7] else np.repeat(piece, piece[:, 6], axis=0)
        for piece in pieces
        if len(piece)
    ]

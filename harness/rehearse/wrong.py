"""The cycles in which one table is wrong under one hypothesis.

The one rule: the same engine as for all hypotheses at once, one lane, cycle by cycle.
"""

from __future__ import annotations

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


def wrong_cycles(model: Model | None, lane: Lane, state: int, rows: Rows, lead: int) -> Wrong:
    """Run a table in one lane and compare every cycle as the board does."""
    if model is None:
        return Wrong(np.zeros(0, np.int64), np.zeros(0, np.uint32))
    netlist, pins = model
    chip = harness.netlist.Chip(netlist, pins, lane, power_up(netlist)[:, state])
    pieces: list[NDArray[np.int64]] = []
    ran = 0
    for piece in _pieces(rows):
        until = bool(piece[0, 7])
        limit = int(piece[0, 6]) if until and piece[0, 4] else len(piece)
        expect, care = (int(piece[0, 3]), int(piece[0, 4])) if until else (0, 0)
        found, used, _, _ = chip.run(piece, Extent(limit, expect, care, ran, 0, 1 << 60))
        wrong = (found[:, 0] ^ piece[:, 3]) & piece[:, 4]
        if until:
            pieces.append(np.concatenate((np.zeros(used - 1, np.int64), wrong)))
        else:
            pieces.append(wrong | (piece[:, 5] & ~found[:, 1]))
        ran += used
    lost = int(rows[:lead, 6].sum())
    all_wrong = np.concatenate(pieces)[lost:].astype(np.uint32)
    cycles = np.flatnonzero(all_wrong)
    return Wrong(cycles, all_wrong[cycles])


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

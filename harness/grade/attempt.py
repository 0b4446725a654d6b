"""Rows that may be appended to a table: what they may drive, what they expect, what they detect.

The one rule: a row that is proposed is one that its author could have written. Clocks are low and
pulsed in every row, a bidirectional pin is driven only where the design surely does not, and what
is expected is what the netlist surely answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

import numpy as np

import harness.netlist
from harness.grade.detect import Detected, detect
from harness.grade.faults import FaultList
from harness.netlist import HEALTHY, Netlist, Pin, Rows
from harness.rehearse import power_up, run_pieces
from harness.shuttle import Design, Direction, Shuttle

DRIVE, ENABLE, PULSE, EXPECT, CARE, HIGHZ, COUNT, _ = range(8)

_TRIES = 8
"""Times that rows are cleared of pins that both sides drive, before none is driven at all."""


@dataclass(frozen=True)
class Reach:
    """What rows may do, as masks of a pattern's words.

    ``inputs`` get any level; ``resets`` are among them, and active at the level in ``active``;
    ``clocks`` are not. ``both`` are driven or tested, ``outputs`` are tested. ``drive`` and
    ``enable`` hold for pins that the design does not use.
    """

    inputs: int
    resets: int
    active: int
    clocks: int
    both: int
    outputs: int
    drive: int
    enable: int


def reach_of(design: Design, shuttle: Shuttle, netlist: Netlist, pins: Sequence[Pin]) -> Reach:
    """Say what rows for a design may do."""
    mask = dict.fromkeys(Direction, 0)
    for bus in design.signals:
        mask[bus.direction] |= bus.mask
    clocked = {int(net) for net in netlist.tables.groups[:, 2]}
    clocks = sum(1 << pin.bit for pin in pins if pin.net in clocked) & mask[Direction.INPUT]
    clocks |= shuttle.mask(Direction.CLOCK) & mask[Direction.INPUT]
    resets = shuttle.mask(Direction.RESET) & mask[Direction.INPUT] & ~clocks
    used = mask[Direction.INPUT] | mask[Direction.BIDIRECTIONAL] | mask[Direction.OUTPUT]
    drive, enable = shuttle.rest_levels
    return Reach(
        mask[Direction.INPUT] & ~clocks,
        resets,
        0 if shuttle.reset_active_low else resets,
        clocks,
        mask[Direction.BIDIRECTIONAL],
        mask[Direction.OUTPUT],
        drive & ~used,
        enable & ~used,
    )


@dataclass(frozen=True, eq=False)
class Bench:
    """A netlist with the rows that come before: a reset, or a whole table. ``faults`` to detect."""

    faults: FaultList
    pins: Sequence[Pin]
    before: Rows
    reach: Reach

    @property
    def netlist(self) -> Netlist:
        """The netlist of the faults."""
        return self.faults.netlist

    def after(self, rows: Rows) -> Bench:
        """The same, with more rows before."""
        return replace(self, before=np.concatenate((self.before, rows)))

    def rows(self, levels: Sequence[int], driven: Sequence[int]) -> Rows:
        """Rows with levels of the inputs; ``driven``: bidirectional pins that the board drives."""
        reach = self.reach
        made = np.zeros((len(levels), 8), dtype=np.int64)
        own = np.array(driven, dtype=np.int64) & reach.both
        made[:, ENABLE] = own | reach.inputs | reach.clocks | reach.enable
        made[:, DRIVE] = np.array(levels, dtype=np.int64) & (own | reach.inputs) | reach.drive
        made[:, PULSE], made[:, COUNT] = reach.clocks, 1
        return self._expecting(self._calm(made))

    def detected(self, rows: Rows) -> Detected:
        """Which faults the rows detect; what comes before them detects nothing here."""
        whole = np.concatenate((self.before, rows))
        return detect(self.faults, self.pins, whole, len(self.before))

    def _calm(self, rows: Rows) -> Rows:
        """Leave alone the pins that the design may drive."""
        both, states = self.reach.both, power_up(self.netlist)
        unknown = np.full((len(states), 1), 2, dtype=states.dtype)
        for _ in range(_TRIES if both else 0):
            whole = np.concatenate((self.before, rows))
            starts = np.hstack((unknown, states))
            notes = harness.netlist.judge_closely(self.netlist, self.pins, starts, whole)[1]
            fought = notes.contended[len(self.before) :].astype(np.int64) & both
            if not fought.any():
                return rows
            rows[:, ENABLE] &= ~fought
            rows[:, DRIVE] &= rows[:, ENABLE]
        rows[:, ENABLE] &= ~both
        rows[:, DRIVE] &= rows[:, ENABLE]
        return rows

    def _expecting(self, rows: Rows) -> Rows:
        """Fill in what the healthy netlist surely answers, from an unknown state."""
        tested = self.reach.both | self.reach.outputs
        rows[:, HIGHZ] = tested & ~rows[:, ENABLE]
        unknown = np.full(self.netlist.flop_count, 2)
        chip = harness.netlist.Chip(self.netlist, self.pins, HEALTHY, unknown, values=3)
        *_, (_, read, _) = run_pieces(chip, np.concatenate((self.before, rows)))
        seen, floating, vague = read[len(read) - len(rows) :].T
        rows[:, HIGHZ] &= floating & ~vague
        rows[:, CARE] = tested & ~rows[:, ENABLE] & ~floating & ~vague
        rows[:, EXPECT] = seen & rows[:, CARE]
        return rows


def drawn(bench: Bench, chance: Random, count: int) -> Rows:
    """Draw rows at random; some inputs are rarely 1, some often, and some change slowly."""
    rare, often, slow = (chance.getrandbits(32) for _ in range(3))
    reach = bench.reach
    levels, driven = [], []
    level, own = chance.getrandbits(32), 0
    for _ in range(count):
        a, b, c = (chance.getrandbits(32) for _ in range(3))
        fresh = a & ~rare & ~often | a & b & c & rare | (a | b | c) & often & ~rare
        keep = slow & (chance.getrandbits(32) | chance.getrandbits(32))
        level = fresh & ~keep | level & keep
        resets = reach.active if chance.random() < _RESETS else reach.resets & ~reach.active
        level = level & ~reach.resets | resets
        own = own if chance.random() < _HELD else chance.getrandbits(1) * reach.both
        levels.append(level)
        driven.append(own)
    return bench.rows(levels, driven)


_RESETS = 1 / 16
_HELD = 1 / 2

"""Vectors that two faults answer differently, so that running them tells one from the other.

The one rule: the first row that differs, by the engine: in a table of the design that did not run,
or in random vectors where no table has one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

import harness.netlist
from harness.diagnose.respond import Runner
from harness.netlist import Extent, Lane, PortDirection, Rows, stimulus
from harness.rehearse import power_up
from harness.shuttle import Direction, Shuttle

MAX_RANDOM = 256
"""Maximum number of random vectors that are tried."""
MAX_CYCLES = 50_000
"""Maximum number of cycles of a table in which a difference is looked for."""
_RESET = 2


class Table(NamedTuple):
    """A table in which to look: its rows, how many come before it, and the lines of the others."""

    name: str
    rows: Rows
    lead: int
    lines: tuple[int, ...]


class Difference(NamedTuple):
    """Where two faults differ first: the row among all, and the pins, as a word."""

    row: int
    pins: int


def in_table(runner: Runner, one: Lane, other: Lane, table: Table) -> Difference | None:
    """Find the first row of a table whose tested pins differ; None if none does."""
    rows = table.rows
    if rows[:, 7].any() or int(rows[:, 6].sum()) > MAX_CYCLES:
        return None
    row = np.repeat(np.arange(len(rows)), rows[:, 6])
    tested = np.where(row >= table.lead, rows[row, 4], 0)
    return _first(runner, (one, other), rows[row], tested, row)


def in_random(runner: Runner, one: Lane, other: Lane, rows: Rows) -> Difference | None:
    """Find the first of some vectors after which any output differs; None if none does."""
    return _first(runner, (one, other), rows, ~rows[:, 1], np.arange(len(rows)))


def random_rows(runner: Runner, shuttle: Shuttle) -> Rows:
    """Make vectors that reset a design and then drive its inputs at random, a clock pulse each."""
    rest, enable = shuttle.rest_levels
    inputs = sum(1 << pin.bit for pin in runner.pins if pin.direction is PortDirection.INPUT)
    fixed = shuttle.mask(Direction.CLOCK, Direction.RESET, Direction.SELECT)
    drawn = np.random.default_rng(1).integers(0, 1 << 32, MAX_RANDOM, dtype=np.int64)
    free = inputs & ~fixed
    drive = (rest & ~free) | (drawn & free)
    drive[:_RESET] ^= shuttle.mask(Direction.RESET)
    return stimulus(drive, enable | free, shuttle.mask(Direction.CLOCK) & inputs, 0)


def _first(
    runner: Runner, lanes: Iterable[Lane], rows: Rows, tested: Rows, row: Rows
) -> Difference | None:
    """Run both from every flop at 0; unknown levels at power-up are not a difference."""
    seen = []
    for lane in lanes:
        chip = harness.netlist.Chip(
            runner.netlist, runner.pins, lane, power_up(runner.netlist)[:, 0]
        )
        found, *_ = chip.run(rows, Extent(len(rows), 0, 0, 0, 2, 1 << 60))
        seen.append(found[:, 0] & ~found[:, 1])
    differs = (seen[0] ^ seen[1]) & tested
    if not differs.any():
        return None
    place = int(np.flatnonzero(differs)[0])
    return Difference(int(row[place]), int(differs[place]))

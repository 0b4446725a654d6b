"""Batches of changes become the levels of all pins after each time step.

One rule: no loop over changes, only over variables and pins, except for values with ``x`` or
``z`` among them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.convert.dump_map import PinMap
from harness.convert.dump_read import Batch
from harness.grouping import grouped
from harness.table import Words

_NUMBERS = np.uint64


class Steps(NamedTuple):
    """Levels after each time step, one bit a pin; of ``unknown`` and ``floating`` ``high`` is 0.

    ``held`` are the bidirectional pins that the testbench drives.
    """

    time: NDArray[np.int64]
    high: Words
    unknown: Words
    floating: Words
    held: Words


class DumpLevels:
    """The levels so far; pins are unknown until the dump has a value."""

    def __init__(self, pins: PinMap, places: Sequence[int]) -> None:
        self._moves = [_Moves(pins, name) for name in pins.variables]
        self._by_place = grouped(zip(places, self._moves, strict=True))
        fixed = sum(wire.pin.mask for wire in pins.wires if not wire.variable and wire.bit)
        held = sum(hold.mask for hold in pins.holds if not hold.variable and hold.level)
        self._fixed = np.array([[fixed], [0], [0], [held]], np.uint32)

    def steps(self, batch: Batch) -> Steps:
        """Return the levels after each time step of a batch."""
        new = np.empty(len(batch.time), np.bool_)
        new[0] = True
        np.not_equal(batch.time[1:], batch.time[:-1], out=new[1:])
        step = np.cumsum(new) - 1
        count = int(step[-1]) + 1
        other = np.zeros(len(batch.time), np.bool_)
        other[list(batch.others)] = True
        total = np.repeat(self._fixed, count, axis=1)
        for place, all_moves in self._by_place.items():
            where = np.flatnonzero(batch.variable == place)
            begins = step[where]
            last = np.append(begins[1:] != begins[:-1], True)[: len(where)]
            where, begins = where[last], begins[last]  # of several in a step the last one counts
            lengths = np.diff(begins, prepend=0, append=count)
            for moves in all_moves:
                for plane, levels in zip(total, moves.apply(batch, other, where), strict=True):
                    if levels.any():
                        np.bitwise_or(plane, np.repeat(levels, lengths), out=plane)
        return Steps(batch.time[new], *total)


class _Moves:
    """What one variable does to the pins; ``now`` is ``(high, unknown, floating, held)``."""

    def __init__(self, pins: PinMap, name: str) -> None:
        wires = [wire for wire in pins.wires if wire.variable == name]
        self._bits = [(wire.bit, wire.pin.bit) for wire in wires]
        self._holds = [(hold.mask, hold.level) for hold in pins.holds if hold.variable == name]
        mask = sum(wire.pin.mask for wire in wires)
        self._now = np.array([[0], [mask], [0], [0]], np.uint32)
        runs: dict[int, int] = {}
        for bit, pin in self._bits:
            runs[pin - bit] = runs.get(pin - bit, 0) | 1 << bit
        self._runs = [(shift, mask) for shift, mask in runs.items() if mask < 1 << 64]

    def apply(
        self, batch: Batch, other: NDArray[np.bool_], where: NDArray[np.int64]
    ) -> NDArray[np.uint32]:
        """Return the levels before these changes and after each, ``(4, changes + 1)``."""
        if not len(where):
            return self._now
        levels = self._of_numbers(batch.number[where])
        odd = np.flatnonzero(other[where])
        if len(odd):
            levels[:, odd] = self._of_values([batch.others[k] for k in where[odd].tolist()])
        every = np.concatenate((self._now, levels), axis=1)
        self._now = levels[:, -1:]
        return every

    def _of_numbers(self, numbers: NDArray[np.uint64]) -> NDArray[np.uint32]:
        levels = np.zeros((4, len(numbers)), np.uint32)
        for shift, mask in self._runs:
            bits = numbers & _NUMBERS(mask)
            moved = bits << _NUMBERS(shift) if shift >= 0 else bits >> _NUMBERS(-shift)
            levels[0] |= moved.astype(np.uint32)
        for mask, level in self._holds:
            levels[3] |= np.where(numbers & _NUMBERS(1) == level, np.uint32(mask), np.uint32(0))
        return levels

    def _of_values(self, values: list[int | str]) -> NDArray[np.uint32]:
        known: dict[int | str, tuple[int, int, int, int]] = {}
        for value in values:
            if value not in known:
                known[value] = self._spread(value)
        return np.array([known[value] for value in values], np.uint32).T

    def _spread(self, value: int | str) -> tuple[int, int, int, int]:
        high = unknown = floating = held = 0
        for bit, pin in self._bits:
            level = _level(value, bit)
            high |= (level == "1") << pin
            floating |= (level == "z") << pin
            unknown |= (level not in "01z") << pin
        for mask, at in self._holds:
            held |= mask * (_level(value, 0) == str(at))
        return high, unknown, floating, held


def _level(value: int | str, bit: int) -> str:
    """Level of a bit; VHDL's weak levels count as levels."""
    if isinstance(value, int):
        return str(value >> bit & 1)
    symbol = value[-1 - bit].lower() if bit < len(value) else "x"
    return {"h": "1", "l": "0"}.get(symbol, symbol)

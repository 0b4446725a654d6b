"""A table as steps of a netlist's inputs, and what is compared after each.

The one rule: the order in a cycle is that of ``netlist.pins.vector``: drive and settle, pulse and
settle, pulse back and settle, compare. What the board drives itself is not compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.netlist import Netlist, Pin, PortDirection, Rows

Cells = NDArray[np.int64]

_DRIVE, _ENABLE, _PULSE, _, _CARE, _HIGHZ, _COUNT, _ = range(8)


def table_steps(
    netlist: Netlist, pins: Sequence[Pin], rows: Rows, lead: int
) -> tuple[harness.netlist.Steps, Cells]:
    """Return the steps of a table without match loops, and the row of each.

    Nothing is compared in the first ``lead`` rows.
    """
    row = np.repeat(np.arange(len(rows)), rows[:, _COUNT])
    enable, drive = rows[row, _ENABLE], rows[row, _DRIVE]
    pulse = rows[row, _PULSE] & enable
    count = np.where(pulse != 0, 3, 1)
    cycle = np.repeat(np.arange(len(row)), count)
    place = np.arange(len(cycle)) - np.repeat(np.cumsum(count) - count, count)
    levels = (drive & enable)[cycle] ^ np.where(place == 1, pulse[cycle], 0)
    driven, enables = list(_inputs(netlist, pins)), list(_enables(netlist, pins))
    read, floats = list(_outputs(pins)), list(_floats(netlist, pins))
    compared = (place == count[cycle] - 1) & (row[cycle] >= lead)
    free = np.where(compared, ~enable[cycle], 0)
    care, highz = rows[row[cycle], _CARE] & free, rows[row[cycle], _HIGHZ] & free
    steps = harness.netlist.Steps(
        np.array([net for net, _ in [*driven, *enables]], dtype=np.int64),
        np.hstack((_bits(levels, driven), _bits(enable[cycle], enables))),
        np.array([net for net, _ in [*read, *floats]], dtype=np.int64),
        np.hstack((_bits(care, read), _bits(highz, floats))) != 0,
    )
    return steps, row[cycle]


def _pad(netlist: Netlist, pin: Pin) -> bool:
    return pin.direction is PortDirection.INOUT and pin.net in netlist.tristates


def _inputs(netlist: Netlist, pins: Sequence[Pin]) -> Iterator[tuple[int, int]]:
    for pin in pins:
        if pin.direction is PortDirection.INPUT:
            yield pin.net, pin.bit
        elif _pad(netlist, pin):
            yield netlist.tristates[pin.net].outside, pin.bit


def _floats(netlist: Netlist, pins: Sequence[Pin]) -> Iterator[tuple[int, int]]:
    return ((netlist.tristates[p.net].enable, p.bit) for p in pins if _pad(netlist, p))


def _enables(netlist: Netlist, pins: Sequence[Pin]) -> Iterator[tuple[int, int]]:
    return ((netlist.tristates[p.net].outside_enable, p.bit) for p in pins if _pad(netlist, p))


def _outputs(pins: Sequence[Pin]) -> Iterator[tuple[int, int]]:
    return ((pin.net, pin.bit) for pin in pins if pin.direction is not PortDirection.INPUT)


def _bits(words: Cells, columns: Sequence[tuple[int, int]]) -> NDArray[np.uint8]:
    """One column for each bit, whatever net it is for."""
    found = np.zeros((len(words), len(columns)), dtype=np.uint8)
    for place, (_, bit) in enumerate(columns):
        found[:, place] = (words >> bit) & 1
    return found

"""Where things stand in the arrays that go to compiled code.

The one rule: a machine is three arrays, whatever it consists of: entries of lanes, tables of
numbers, and operations. Compiled functions take an array apart into seven arguments, so that dozens
of them would cost more than the gates. A table starts at the place that stands in the *head* of
the array: ``t[t[DATA] + flop]``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.netlist.lanes import Lanes, new_lanes

Tables = NDArray[np.int64]

LINES = 32
"""Lines of a board: bits of a pattern's words."""

# Numbers.
(
    RAILS,  # 1 two-valued, 2 three-valued
    FLOPS,
    GROUPS,
    PLAIN,  # 1: clocks, sets and clears are inputs, and there are no latches
    DIRTY,  # a bit for each block of operations that waits
    TAKEN,  # a bit for each block that flops take data from
    SHOWN,  # a bit for each block that is behind what can be read on lines
    FEEDING,  # lines that inputs follow, and that are shorted
    SPEAKING,  # lines that outputs are on, or that something else may be read on
    BRIDGES,
    SHORTS,
    VARYING,
    LANES,
    WATCHED,  # lines on which it is noted that board and chip both drive
    FOUGHT,  # those of them on which both did, in any lane and since it was last cleared
    # Tables of numbers.
    FIRST,  # first operation of each block
    READERS,  # for each slot a bit for each block that reads it
    GROUP,  # 12 a group, see program
    DATA,  # slots; three-valued those of "is 0" follow; the states are slots from 0 on
    PATCH_AT,  # first patch of each block
    PATCH_OPERATION,
    PATCH_PIN,
    BRIDGE,  # 4 each: slots of both drivers, of both nets
    INPUT,  # 5 each: slot, slot of "is 0" or -1, 1: follows enables, 1: flops may follow at once,
    # 1: on one line in all lanes
    INPUT_AT,  # first entry of INPUT_LINE for each input
    INPUT_LINE,
    FED_AT,  # first entry of FED for each line
    FED,  # inputs
    OUTPUT,  # 5 each: slot, slot of "is 0" or -1, the same of its enable, slot of its own drive
    OUTPUT_AT,  # first entry of OUTPUT for each line
    SHORT,  # 2 lines each
    VARY,  # 7 each, see cycles
    WORDS,  # levels, enable, pulse at present
    # Entries of lanes; values of slots stand at the start.
    CLOCKS,
    OPENED,  # flops of a group that take data; three-valued: surely, perhaps
    ACTIVE,  # that do, or are set or cleared, or may be
    PENDING,
    FROZEN,  # lanes that did not settle; lanes in which something changed in the last round
    KEEP,  # a forced value is (value & keep) | level; raw is what it would have been
    LEVEL,
    RAW,
    BRIDGE_MASK,
    BRIDGE_OR,
    BRIDGE_FREE,  # for each of both nets, the lanes in which no bridge touches it
    ALWAYS,  # lanes in which an input is 1, whatever is driven
    INPUT_MASK,
    OUTPUT_MASK,
    SHORT_MASK,
    SHORT_OR,
    VARY_MASK,
    VARY_LEVEL,
    LINE_LEVEL,  # what the chip sees of the outside
    LINE_ENABLE,
    SEEN,  # what it drives
    DRIVEN,
    UNKNOWN,
    LIVE,  # lanes that are pulsed
    HEAD,
) = range(58)


class Machine(NamedTuple):
    """Entries of lanes, tables, operations: all that one set of lanes consists of."""

    v: Lanes
    t: Tables
    ops: NDArray[np.uint32]


def lay_out(
    numbers: Mapping[int, int],
    tables: Mapping[int, ArrayLike],
    lanes: Mapping[int, Lanes],
    values: Lanes,
    ops: NDArray[np.uint32],
) -> Machine:
    """Put everything into its three arrays."""
    head = np.zeros(HEAD, dtype=np.int64)
    for place, number in numbers.items():
        head[place] = number
    parts, end = [head], HEAD
    for place, table in tables.items():
        flat = np.asarray(table).reshape(-1).astype(np.int64)
        head[place] = end
        end += len(flat)
        parts.append(flat)
    entries, count = [values], len(values)
    for place, some in lanes.items():
        head[place] = count
        count += len(some)
        entries.append(some)
    v = new_lanes(count, 1 if values.ndim == 1 else values.shape[1])
    v[:] = np.concatenate(entries)
    return Machine(v, np.concatenate(parts), ops)

"""What passes of 512 faulty machines have in common, and the good machine that goes before them.

The one rule: a pass gets what was done to the inputs, what the good machine made of it, and
patches; it gives the steps in which lanes differ first, and the states that differ at the end.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import (
    compiled,
    head,
    inlined,
    lowest_place,
    peek,
    put,
    some,
    spread,
    take,
)
from harness.netlist.kernel import EVERYTHING, Operations, advance, prime, show
from harness.netlist.lanes import ALL, WIDE, Lanes
from harness.netlist.layout import DIRTY, FROZEN, PLAIN, RAILS, READERS, Machine, Tables

Codes = NDArray[np.uint8]

UNFOUND = -1
_NONE = np.uint64(0)


class Span(NamedTuple):
    """Some steps of the inputs.

    ``slots``: both rails, and 1 if flops may have to follow at once; ``levels`` from the step
    before on; ``strobe``: in which steps outputs are compared, and ``compared`` ``(steps,
    outputs)`` which of them.
    """

    slots: Tables
    levels: NDArray[np.uint8]
    strobe: NDArray[np.bool_]
    compared: NDArray[np.bool_]


class Trace(NamedTuple):
    """What the good machine does in some steps.

    ``codes``: rows of a code for each operation; ``rows`` ``(steps, 2)``: the row before flops
    take data, and the one when outputs are compared, -1 where there is none; ``actions``
    ``(steps, groups)``; ``moves``: steps in which any group does something; ``good`` ``(steps,
    outputs)``: 0, 1, or 2 for unknown and for not compared; ``states`` ``(2, states)``: before and
    after all steps.
    """

    codes: Codes
    rows: Tables
    actions: Codes
    moves: NDArray[np.bool_]
    good: Codes
    states: Lanes


class Patches(NamedTuple):
    """Faults of 512 machines: first patch of each block; operation, pin, lanes kept, levels."""

    at: Tables
    operation: Tables
    pin: Tables
    keep: Lanes
    level: Lanes


# A code has a bit each for: a difference of input a shows, one of b does, differences of both show
# as one; good levels of a, of b and of the output.
def _code(index: int) -> int:
    """Code of an operation (see ``program``) with these good levels: 5 bits, its own first."""
    both, either, flip, a, b = (index >> bit & 1 for bit in (4, 3, 2, 1, 0))
    out = (both & a & b) ^ (either & (a ^ b)) ^ flip
    shows = (both & b ^ either, both & a ^ either, both, a, b, out)
    return sum(bit << place for place, bit in enumerate(shows))


_CODES = np.array([_code(index) for index in range(32)], dtype=np.uint8)


@compiled
def _note(v: Lanes, ops: NDArray[np.uint32], codes: Codes, row: int) -> bool:
    """Note the codes of all operations; gives whether any differs from the row before."""
    before, fresh = max(row - 1, 0), row == 0
    for index in range(codes.shape[1]):
        a, b = head(take(v, peek(ops, 4 * index + 1))), head(take(v, peek(ops, 4 * index + 2)))
        levels = (a & np.uint64(1)) << np.uint64(1) | (b & np.uint64(1))
        code = _CODES[peek(ops, 4 * index) << 2 | np.int64(levels)]
        fresh |= codes[before, index] != code
        codes[row, index] = code
    return fresh


@compiled
def set_inputs(v: Lanes, t: Tables, slots: Tables, levels: NDArray[np.uint8], step: int) -> bool:
    """Set the inputs that change; gives whether flops may have to follow at once."""
    follow = False
    for index in range(len(slots)):
        level = levels[step, index]
        if levels[step - 1, index] == level:
            continue
        for rail in range(t[RAILS]):
            slot = slots[index, rail]
            put(v, slot, spread(v, ALL if level != rail else _NONE))
            t[DIRTY] |= t[t[READERS] + slot]
        follow |= slots[index, 2] == 1
    return follow or (t[PLAIN] == 0 and t[DIRTY] != 0)


def begin(machine: Machine, span: Span) -> None:
    """Bring states that were put in place to life, with the inputs as before a span."""
    v, t, ops = machine
    for rail in range(t[RAILS]):
        levels = np.where(span.levels[0] != rail, ALL, _NONE)
        v[span.slots[:, rail]] = levels if v.ndim == 1 else levels[:, None]
    v[t[FROZEN]] = 0
    prime(v, t, ops)
    advance(v, t, ops)


@compiled
def record(
    v: Lanes,
    t: Tables,
    ops: Operations,
    span: Span,
    outputs: Tables,
    noted: Operations,
    trace: Trace,
) -> None:
    """Run the good machine and note what it does."""
    row = 0
    for step in range(len(trace.rows)):
        follow = set_inputs(v, t, span.slots, span.levels, step + 1)
        if trace.moves[step]:
            show(v, t, ops, EVERYTHING)
            row += _note(v, noted, trace.codes, row)
            trace.rows[step, 0] = row - 1
        if follow:
            advance(v, t, ops)
        if span.strobe[step]:
            show(v, t, ops, EVERYTHING)
            row += _note(v, noted, trace.codes, row)
            trace.rows[step, 1] = row - 1
            for index in range(len(outputs)):
                if not span.compared[step, index]:
                    trace.good[step, index] = 2
                    continue
                one = head(take(v, outputs[index, 0])) & np.uint64(1)
                trace.good[step, index] = one
                if t[RAILS] == 2 and one == 0:
                    zero = head(take(v, outputs[index, 1])) & np.uint64(1)
                    trace.good[step, index] = 2 * (1 - zero)


@inlined
def keep_first(differ: Any, vague: Any, step: int, found: Tables, scratch: Lanes) -> None:
    """Note the step for the lanes that differ for the first time, and those that may differ.

    ``scratch``: lanes that have differed, those that do so now, those that may have differed.
    """
    before = take(scratch, 0)
    put(scratch, 2, take(scratch, 2) | vague)
    fresh = differ & ~before
    if some(fresh):
        put(scratch, 0, before | fresh)
        put(scratch, 1, fresh)
        for word in range(WIDE):
            left = scratch[1, word]
            while left != _NONE:
                found[64 * word + lowest_place(left)] = step
                left &= left - np.uint64(1)


@compiled
def flip(states: Lanes, ones: Tables) -> None:
    """Invert states: ``(n, 2)``, state and lane."""
    for index in range(len(ones)):
        lane = ones[index, 1]
        states[ones[index, 0], lane >> 6] ^= np.uint64(1) << np.uint64(lane & 63)

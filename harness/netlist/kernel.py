"""The compiled loops that evaluate gates and flops, in all lanes at once.

The one rule: lanes never influence each other. Operations are evaluated in order, block by block,
and only blocks that read something which has changed in some lane; then flops take their next
state all at once, and again until nothing changes. ``v``, ``t`` and ``ops`` are the arrays of a
machine, see ``layout``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import compiled, put, some, spread, take
from harness.netlist.lanes import Lanes
from harness.netlist.layout import (
    ACTIVE,
    BRIDGE,
    BRIDGE_MASK,
    BRIDGE_OR,
    BRIDGES,
    CLOCKS,
    DATA,
    DIRTY,
    FIRST,
    FLOPS,
    FROZEN,
    GROUP,
    GROUPS,
    KEEP,
    LEVEL,
    PATCH_AT,
    PATCH_OPERATION,
    PATCH_PIN,
    PENDING,
    PLAIN,
    RAILS,
    RAW,
    READERS,
    STATE,
    Q,
    Tables,
)
from harness.netlist.program import BLOCKS, MASKS

Operations = NDArray[np.uint32]

SETTLED = -1
"""What :func:`advance` returns when nothing changes any more."""

_NONE = np.uint64(0)


@compiled
def sweep(v: Lanes, t: Tables, ops: Operations, dirty: int) -> None:
    """Evaluate the blocks in ``dirty``."""
    patches = t[PATCH_AT]
    for block in range(BLOCKS):
        if (dirty >> block) & 1 == 0:
            continue
        first, last = t[t[FIRST] + block], t[t[FIRST] + block + 1]
        at, end = t[patches + block], t[patches + block + 1]
        while at < end:
            patched = t[t[PATCH_OPERATION] + at]
            evaluate(v, ops, first, patched)
            at = _patched(v, t, ops, patched, at, end)
            first = patched + 1
        evaluate(v, ops, first, last)


@compiled
def evaluate(v: Lanes, ops: Operations, first: int, last: int) -> None:
    """Evaluate operations from ``first`` up to, not including, ``last``."""
    for index in range(first, last):
        new = operate(v, ops[index, 0], take(v, ops[index, 1]), take(v, ops[index, 2]))
        put(v, ops[index, 3], new)


@compiled
def operate(v: Lanes, code: int, a: Any, b: Any) -> Any:
    """Evaluate one operation; without a branch, which the processor would have to guess."""
    both = a & b & spread(v, MASKS[code, 2])
    either = (a ^ b) & spread(v, MASKS[code, 1])
    return both ^ either ^ spread(v, MASKS[code, 0])


@compiled
def _patched(v: Lanes, t: Tables, ops: Operations, index: int, at: int, end: int) -> int:
    """Evaluate an operation with patches, from ``at`` on; gives the first that is left."""
    a, b = take(v, ops[index, 1]), take(v, ops[index, 2])
    while at < end and t[t[PATCH_OPERATION] + at] == index and t[t[PATCH_PIN] + at] < 2:
        keep, level = take(v, t[KEEP] + at), take(v, t[LEVEL] + at)
        if t[t[PATCH_PIN] + at] == 0:
            a = (a & keep) | level
        else:
            b = (b & keep) | level
        at += 1
    new = operate(v, ops[index, 0], a, b)
    while at < end and t[t[PATCH_OPERATION] + at] == index:
        put(v, t[RAW] + at, new)
        new = (new & take(v, t[KEEP] + at)) | take(v, t[LEVEL] + at)
        at += 1
    put(v, ops[index, 3], new)
    return at


@compiled
def _join(v: Lanes, t: Tables) -> int:
    """Let shorted nets show what their drivers come to; gives the blocks to evaluate."""
    dirty, moved, frozen = 0, spread(v, _NONE), take(v, t[FROZEN])
    for index in range(t[BRIDGES]):
        at = t[BRIDGE] + 4 * index
        a, b = take(v, t[at]), take(v, t[at + 1])
        mask = take(v, t[BRIDGE_MASK] + index)
        joined = (a & b) | ((a | b) & take(v, t[BRIDGE_OR] + index))
        for side in range(2):
            own = a if side == 0 else b
            slot = t[at + 2 + side]
            old = take(v, slot)
            change = (((joined & mask) | (own & ~mask)) ^ old) & ~frozen
            if some(change):
                put(v, slot, old ^ change)
                moved = moved | change
                dirty |= t[t[READERS] + slot]
    put(v, t[FROZEN] + 1, moved)
    return dirty


@compiled
def _level(v: Lanes, t: Tables, at: int) -> Any:
    """Level of a clock, set or clear of a two-valued program."""
    return take(v, t[at]) ^ spread(v, np.uint64(-t[at + 2]))


@compiled
def _sample_two(v: Lanes, t: Tables) -> bool:
    """Work out the next state of every flop that a clock edge, set or clear reaches."""
    reached = False
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group
        clock, set_, clear = _level(v, t, at + 3), _level(v, t, at + 6), _level(v, t, at + 9)
        opened = clock
        if t[at + 2] == 0:
            opened = clock & ~take(v, t[CLOCKS] + group)
        put(v, t[CLOCKS] + group, clock)
        active = opened | set_ | clear
        put(v, t[ACTIVE] + group, active)
        if some(active):
            reached = True
            state, data, pending = t[STATE], t[DATA], t[PENDING]
            for flop in range(t[at], t[at + 1]):
                held = take(v, state + flop) & ~opened
                taken = take(v, t[data + flop]) & opened
                put(v, pending + flop, (held | taken | set_) & ~clear)
    return reached


@compiled
def _sample_three(v: Lanes, t: Tables) -> bool:
    """As :func:`_sample_two`; what may or may not happen makes unknown what it would change."""
    reached, flops = False, t[FLOPS]
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group
        one, zero = take(v, t[at + 3]), take(v, t[at + 4])
        sure, perhaps = one, ~zero
        clocks = t[CLOCKS] + 2 * group
        if t[at + 2] == 0:
            was_one, was_zero = take(v, clocks), take(v, clocks + 1)
            sure = one & was_zero
            perhaps = ~zero & ~was_one & ((one ^ was_one) | (zero ^ was_zero))
        put(v, clocks, one)
        put(v, clocks + 1, zero)
        set_, set_perhaps = take(v, t[at + 6]), ~take(v, t[at + 7])
        clear, clear_perhaps = take(v, t[at + 9]), ~take(v, t[at + 10])
        active = perhaps | set_perhaps | clear_perhaps
        put(v, t[ACTIVE] + group, active)
        if some(active):
            reached = True
            for flop in range(t[at], t[at + 1]):
                q1, q0 = take(v, t[STATE] + flop), take(v, t[STATE] + flops + flop)
                d1, d0 = take(v, t[t[DATA] + flop]), take(v, t[t[DATA] + flops + flop])
                q1 = (d1 & sure) | (q1 & ~perhaps) | (q1 & d1)
                q0 = (d0 & sure) | (q0 & ~perhaps) | (q0 & d0)
                put(v, t[PENDING] + flop, (q1 | set_) & ~clear_perhaps)
                put(v, t[PENDING] + flops + flop, (q0 & ~set_perhaps) | clear)
    return reached


@compiled
def _commit(v: Lanes, t: Tables) -> tuple[int, int]:
    """Let the flops change; gives the blocks to evaluate, and a flop that changed or SETTLED."""
    dirty, changed = 0, SETTLED
    frozen, moved = take(v, t[FROZEN]), spread(v, _NONE)
    for group in range(t[GROUPS]):
        if not some(take(v, t[ACTIVE] + group)):
            continue
        at = t[GROUP] + 12 * group
        state, pending, q, readers = t[STATE], t[PENDING], t[Q], t[READERS]
        for rail in range(t[RAILS]):
            shift = rail * t[FLOPS]
            for place in range(t[at] + shift, t[at + 1] + shift):
                old = take(v, state + place)
                change = (take(v, pending + place) ^ old) & ~frozen
                if some(change):
                    slot = t[q + place]
                    put(v, state + place, old ^ change)
                    put(v, slot, old ^ change)
                    moved = moved | change
                    dirty |= t[readers + slot]
                    changed = place - shift
    put(v, t[FROZEN] + 1, moved)
    return dirty, changed


@compiled
def _sample(v: Lanes, t: Tables) -> bool:
    if t[RAILS] == 1:
        return _sample_two(v, t)
    return _sample_three(v, t)


@compiled
def show(v: Lanes, t: Tables, ops: Operations) -> None:
    """Evaluate the gates that wait."""
    sweep(v, t, ops, t[DIRTY])
    t[DIRTY] = 0


@compiled
def advance(v: Lanes, t: Tables, ops: Operations) -> int:
    """Let what waits in ``t[DIRTY]`` take effect, flops included, until nothing changes.

    Where the program is plain, gates may be left waiting: call :func:`show` before reading.
    Gives SETTLED, or a flop (the number of flops for a bridge) that still changes after as many
    rounds as a chain through every flop could need; lanes in which it does are frozen.
    """
    show(v, t, ops)
    if t[PLAIN] == 1:
        if _sample(v, t):
            t[DIRTY], _ = _commit(v, t)
        return SETTLED
    changed, joins, limit = int(t[FLOPS]), 0, 4 * t[FLOPS] + 4
    for _ in range(limit):
        dirty = _join(v, t)
        while dirty != 0 and joins < limit + 16 * t[BRIDGES]:
            sweep(v, t, ops, dirty)
            dirty = _join(v, t)
            joins += 1
        if dirty != 0:
            changed = t[FLOPS]
            break
        if not _sample(v, t):
            return SETTLED
        dirty, changed = _commit(v, t)
        if changed == SETTLED:
            return SETTLED
        sweep(v, t, ops, dirty)
    put(v, t[FROZEN], take(v, t[FROZEN]) | take(v, t[FROZEN] + 1))
    return changed


@compiled
def prime(v: Lanes, t: Tables, ops: Operations) -> None:
    """Show the flops' contents and take the clocks' present levels as no edge.

    A set or clear that is active takes effect with :func:`advance`, and so does an open latch.
    """
    for place in range(t[FLOPS] * t[RAILS]):
        put(v, t[t[Q] + place], take(v, t[STATE] + place))
    sweep(v, t, ops, -1)
    dirty = _join(v, t)
    for _ in range(4 + 16 * t[BRIDGES]):
        if dirty == 0:
            break
        sweep(v, t, ops, dirty)
        dirty = _join(v, t)
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group + 3
        if t[RAILS] == 1:
            put(v, t[CLOCKS] + group, _level(v, t, at))
        else:
            put(v, t[CLOCKS] + 2 * group, take(v, t[at]))
            put(v, t[CLOCKS] + 2 * group + 1, take(v, t[at + 1]))
    t[DIRTY] = dirty

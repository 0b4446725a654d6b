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

from harness.netlist.compiler import compiled, inlined, lowest_place, peek, put, some, spread, take
from harness.netlist.lanes import Lanes
from harness.netlist.layout import (
    ACTIVE,
    BRIDGE,
    BRIDGE_FREE,
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
    LANES,
    LEVEL,
    OPENED,
    PATCH_AT,
    PATCH_OPERATION,
    PATCH_PIN,
    PENDING,
    PLAIN,
    RAILS,
    RAW,
    READERS,
    TAKEN,
    VARYING,
    Tables,
)
from harness.netlist.program import BLOCKS, MASKS

Operations = NDArray[np.uint32]

SETTLED = -1
"""What :func:`advance` returns when nothing changes any more."""

EVERYTHING = -1
"""All blocks."""

_NONE = np.uint64(0)


@inlined
def evaluate(v: Lanes, ops: Operations, first: int, last: int) -> None:
    """Evaluate operations from ``first`` up to, not including, ``last``."""
    for index in range(first, last):
        at = 4 * index
        a, b = take(v, peek(ops, at + 1)), take(v, peek(ops, at + 2))
        put(v, peek(ops, at + 3), operate(v, peek(ops, at), a, b))


@inlined
def operate(v: Lanes, code: int, a: Any, b: Any) -> Any:
    """Evaluate one operation; without a branch, which the processor would have to guess."""
    at = 4 * code
    both = a & b & spread(v, peek(MASKS, at + 2))
    either = (a ^ b) & spread(v, peek(MASKS, at + 1))
    return both ^ either ^ spread(v, peek(MASKS, at))


@inlined
def _patched(v: Lanes, t: Tables, ops: Operations, index: int, at: int, end: int) -> int:
    """Evaluate an operation with patches, from ``at`` on; gives the first that is left."""
    operation = 4 * index
    a, b = take(v, peek(ops, operation + 1)), take(v, peek(ops, operation + 2))
    where, pins = t[PATCH_OPERATION], t[PATCH_PIN]
    while at < end and peek(t, where + at) == index and peek(t, pins + at) < 2:
        keep, level = take(v, t[KEEP] + at), take(v, t[LEVEL] + at)
        if peek(t, pins + at) == 0:
            a = (a & keep) | level
        else:
            b = (b & keep) | level
        at += 1
    new = operate(v, peek(ops, operation), a, b)
    while at < end and peek(t, where + at) == index:
        if t[VARYING] != 0:
            put(v, t[RAW] + at, new)
        new = (new & take(v, t[KEEP] + at)) | take(v, t[LEVEL] + at)
        at += 1
    put(v, peek(ops, operation + 3), new)
    return at


@inlined
def sweep(v: Lanes, t: Tables, ops: Operations, dirty: int) -> None:
    """Evaluate the blocks in ``dirty``, those that follow each other in one go."""
    patches = t[PATCH_AT]
    while dirty != 0:
        block = lowest_place(dirty)
        after = block + min(lowest_place(~(dirty >> block)), BLOCKS - block)
        dirty &= -2 << (after - 1)
        first, last = t[t[FIRST] + block], t[t[FIRST] + after]
        at, end = t[patches + block], t[patches + after]
        while True:
            stop = peek(t, t[PATCH_OPERATION] + at) if at < end else last
            evaluate(v, ops, first, stop)
            if at >= end:
                break
            at = _patched(v, t, ops, stop, at, end)
            first = stop + 1


@inlined
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
            # where another bridge has the net in its lanes, that one says what it shows
            free = take(v, t[BRIDGE_FREE] + 2 * index + side)
            change = (((joined ^ old) & mask) | ((own ^ old) & free)) & ~frozen
            if some(change):
                put(v, slot, old ^ change)
                moved = moved | change
                dirty |= t[t[READERS] + slot]
    put(v, t[FROZEN] + 1, moved)
    return dirty


@inlined
def _level(v: Lanes, t: Tables, at: int) -> Any:
    """Level of a clock, set or clear of a two-valued program."""
    return take(v, t[at]) ^ spread(v, np.uint64(-t[at + 2]))


@inlined
def _edges_two(v: Lanes, t: Tables) -> bool:
    """Note which flops take data, are set or are cleared; gives whether any is, in any lane."""
    reached = False
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group
        clock = opened = _level(v, t, at + 3)
        if t[at + 2] == 0:
            opened = clock & ~take(v, t[CLOCKS] + group)
        active = opened | _level(v, t, at + 6) | _level(v, t, at + 9)
        put(v, t[CLOCKS] + group, clock)
        put(v, t[OPENED] + group, opened)
        put(v, t[ACTIVE] + group, active)
        reached |= some(active)
    return reached


@compiled
def _edges_three(v: Lanes, t: Tables) -> bool:
    """As :func:`_edges_two`; what is opened surely, and what perhaps."""
    reached = False
    for group in range(t[GROUPS]):
        at, clocks = t[GROUP] + 12 * group, t[CLOCKS] + 2 * group
        one, zero = take(v, t[at + 3]), take(v, t[at + 4])
        sure, perhaps = one, ~zero
        if t[at + 2] == 0:
            was_one, was_zero = take(v, clocks), take(v, clocks + 1)
            sure = one & was_zero
            perhaps = ~zero & ~was_one & ((one ^ was_one) | (zero ^ was_zero))
        active = perhaps | ~take(v, t[at + 7]) | ~take(v, t[at + 10])
        put(v, clocks, one)
        put(v, clocks + 1, zero)
        put(v, t[OPENED] + 2 * group, sure)
        put(v, t[OPENED] + 2 * group + 1, perhaps)
        put(v, t[ACTIVE] + group, active)
        reached |= some(active)
    return reached


@inlined
def _take_two(v: Lanes, t: Tables, group: int) -> None:
    """Work out the next state of the flops of a group."""
    at, data, pending = t[GROUP] + 12 * group, t[DATA], t[PENDING]
    opened, set_, clear = take(v, t[OPENED] + group), _level(v, t, at + 6), _level(v, t, at + 9)
    for flop in range(t[at], t[at + 1]):
        taken = (take(v, flop) & ~opened) | (take(v, t[data + flop]) & opened)
        put(v, pending + flop, (taken | set_) & ~clear)


@compiled
def _take_three(v: Lanes, t: Tables, group: int) -> None:
    """As :func:`_take_two`; what may or may not happen makes unknown what it would change."""
    at, data, pending, flops = t[GROUP] + 12 * group, t[DATA], t[PENDING], t[FLOPS]
    sure, perhaps = take(v, t[OPENED] + 2 * group), take(v, t[OPENED] + 2 * group + 1)
    set_, set_perhaps = take(v, t[at + 6]), ~take(v, t[at + 7])
    clear, clear_perhaps = take(v, t[at + 9]), ~take(v, t[at + 10])
    for flop in range(t[at], t[at + 1]):
        q1, q0 = take(v, flop), take(v, flops + flop)
        d1, d0 = take(v, t[data + flop]), take(v, t[data + flops + flop])
        q1 = (d1 & sure) | (q1 & ~perhaps) | (q1 & d1)
        q0 = (d0 & sure) | (q0 & ~perhaps) | (q0 & d0)
        put(v, pending + flop, (q1 | set_) & ~clear_perhaps)
        put(v, pending + flops + flop, (q0 & ~set_perhaps) | clear)


@inlined
def _alike(v: Lanes, t: Tables, group: int) -> bool:
    """Whether all that a group does is take data, in every lane: nearly always, if it is plain."""
    at, rails = t[GROUP] + 12 * group, t[RAILS]
    other = ~take(v, t[OPENED] + rails * group) | take(v, t[FROZEN])
    if rails == 1:
        other = other | _level(v, t, at + 6) | _level(v, t, at + 9)
    else:
        other = other | ~take(v, t[at + 7]) | ~take(v, t[at + 10])
    return t[PLAIN] == 1 and not some(other)


@inlined
def _set_aside(v: Lanes, t: Tables, group: int) -> None:
    """Keep what flops take directly from flops, which change at the same time."""
    at, data, pending, states = t[GROUP] + 12 * group, t[DATA], t[PENDING], t[FLOPS] * t[RAILS]
    for rail in range(t[RAILS]):
        shift = rail * t[FLOPS]
        for place in range(t[at] + shift, t[at + 1] + shift):
            source = peek(t, data + place)
            if source < states:
                put(v, pending + place, take(v, source))


@inlined
def _commit(v: Lanes, t: Tables) -> int:
    """Let the flops change; gives the blocks to evaluate.

    Without a branch for each flop: whether one changes is as good as random, and in many lanes
    nearly all do in some. Where several rounds may be needed, what was before is left in place of
    what was to come.
    """
    dirty, few, frozen, moved = 0, t[LANES] <= 64, take(v, t[FROZEN]), spread(v, _NONE)
    data, pending, readers, states = t[DATA], t[PENDING], t[READERS], t[FLOPS] * t[RAILS]
    for group in range(t[GROUPS]):
        if not some(take(v, t[ACTIVE] + group)):
            continue
        at, alike = t[GROUP] + 12 * group, _alike(v, t, group)
        for rail in range(t[RAILS]):
            shift = rail * t[FLOPS]
            for place in range(t[at] + shift, t[at + 1] + shift):
                old, source = take(v, place), pending + place
                if alike:
                    direct = peek(t, data + place)
                    source = direct if direct >= states else source
                change = (take(v, source) ^ old) & ~frozen
                put(v, place, old ^ change)
                moved = moved | change
                if t[PLAIN] == 0:
                    put(v, pending + place, old)
                if few:
                    dirty |= peek(t, readers + place) if some(change) else 0
                else:
                    dirty |= peek(t, readers + place)
    put(v, t[FROZEN] + 1, moved)
    return dirty


@compiled
def _restless(v: Lanes, t: Tables) -> int:
    """Give the last flop that changed in the last round."""
    found = 0
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group
        if some(take(v, t[ACTIVE] + group)):
            for rail in range(t[RAILS]):
                for place in range(t[at] + rail * t[FLOPS], t[at + 1] + rail * t[FLOPS]):
                    if some(take(v, place) ^ take(v, t[PENDING] + place)):
                        found = place - rail * t[FLOPS]
    return found


@inlined
def _edges(v: Lanes, t: Tables) -> bool:
    if t[RAILS] == 1:
        return _edges_two(v, t)
    return _edges_three(v, t)


@inlined
def _clock(v: Lanes, t: Tables) -> int:
    """Let flops that clocks, sets and clears reach take their states; as :func:`_commit`."""
    for group in range(t[GROUPS]):
        if some(take(v, t[ACTIVE] + group)):
            if _alike(v, t, group):
                _set_aside(v, t, group)
            elif t[RAILS] == 1:
                _take_two(v, t, group)
            else:
                _take_three(v, t, group)
    return _commit(v, t)


@inlined
def show(v: Lanes, t: Tables, ops: Operations, blocks: int) -> None:
    """Evaluate the gates that wait in some blocks; all that is behind these must be among them."""
    sweep(v, t, ops, t[DIRTY] & blocks)
    t[DIRTY] &= ~blocks


@compiled
def advance(v: Lanes, t: Tables, ops: Operations) -> int:
    """Let what waits in ``t[DIRTY]`` take effect, flops included, until nothing changes.

    Where the program is plain, gates may be left waiting: call :func:`show` before reading.
    Gives SETTLED, or a flop (the number of flops for a bridge) that still changes after as many
    rounds as a chain through every flop could need; lanes in which it does are frozen.
    """
    if t[PLAIN] == 1:
        if _edges(v, t):
            show(v, t, ops, t[TAKEN])
            t[DIRTY] |= _clock(v, t)
        return SETTLED
    joins, rounds, limit = 0, 0, 4 * t[FLOPS] + 4
    dirty, t[DIRTY] = t[DIRTY], 0
    while True:
        sweep(v, t, ops, dirty)
        if rounds == limit:
            break
        dirty = _join(v, t)
        if dirty != 0:
            if joins == limit + 16 * t[BRIDGES]:
                break
            joins += 1
            continue
        if not _edges(v, t):
            return SETTLED
        dirty = _clock(v, t)
        if not some(take(v, t[FROZEN] + 1)):
            return SETTLED
        rounds += 1
    put(v, t[FROZEN], take(v, t[FROZEN]) | take(v, t[FROZEN] + 1))
    return _restless(v, t) if rounds == limit else int(t[FLOPS])


@compiled
def prime(v: Lanes, t: Tables, ops: Operations) -> None:
    """Evaluate all gates and take the clocks' present levels as no edge.

    A set or clear that is active takes effect with :func:`advance`, and so does an open latch.
    """
    dirty = EVERYTHING
    for _ in range(5 + 16 * t[BRIDGES]):
        sweep(v, t, ops, dirty)
        dirty = _join(v, t)
        if dirty == 0:
            break
    for group in range(t[GROUPS]):
        at = t[GROUP] + 12 * group + 3
        if t[RAILS] == 1:
            put(v, t[CLOCKS] + group, _level(v, t, at))
        else:
            put(v, t[CLOCKS] + 2 * group, take(v, t[at]))
            put(v, t[CLOCKS] + 2 * group + 1, take(v, t[at + 1]))
    t[DIRTY] = dirty

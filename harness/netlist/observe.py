"""Which stuck-at faults patterns find in combinational logic: 512 patterns at once.

The one rule: what makes a fault visible is worked out once for a net, not once for a fault. In
reverse order, a net with one reader is visible where its gate lets it through and the gate's
output is visible; only nets with several readers (stems) are tried, by events that stop when they
are down to one net whose visibility is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import compiled, lowest_place, put, some, spread, take
from harness.netlist.kernel import Operations, evaluate, operate
from harness.netlist.lanes import ALL, WIDE, Lanes, new_lanes
from harness.netlist.layout import Tables
from harness.netlist.model import HIGH, Netlist, PortDirection
from harness.netlist.program import compile_netlist
from harness.netlist.stuck import StuckAt

_NONE = np.uint64(0)


@compiled
def _wake(pending: Tables, index: int) -> int:
    """Mark an operation as pending; gives 1 if it was not yet."""
    bit = (pending[index >> 6] >> (index & 63)) & 1
    pending[index >> 6] |= 1 << (index & 63)
    return 1 - int(bit)


@compiled
def _flip(
    v: Lanes,
    w: Lanes,
    ops: Operations,
    slot: int,
    reader_at: Tables,
    readers: Tables,
    pending: Tables,
    seen: Lanes,
    watched: NDArray[np.uint8],
    touched: Tables,
) -> Any:
    """Invert a net in all lanes and follow the events; gives where an output shows it.

    ``w`` equals ``v`` before and after. ``pending``: a bit for each operation, all 0.
    """
    count, waiting, shown = 1, 0, spread(v, _NONE)
    touched[0] = slot
    put(w, slot, ~take(v, slot))
    if watched[slot]:
        shown = spread(v, ALL)
    lowest = len(pending)
    for place in range(reader_at[slot], reader_at[slot + 1]):
        waiting += _wake(pending, readers[place])
        lowest = min(lowest, readers[place] >> 6)
    while waiting > 0:
        while pending[lowest] == 0:
            lowest += 1
        place_in = lowest_place(pending[lowest])
        pending[lowest] &= pending[lowest] - 1
        waiting -= 1
        index = (lowest << 6) + place_in
        out = int(ops[index, 3])
        new = operate(v, ops[index, 0], take(w, ops[index, 1]), take(w, ops[index, 2]))
        change = new ^ take(v, out)
        if not some(change):
            continue
        if waiting == 0:
            shown = shown | (change & take(seen, out))
            break
        put(w, out, new)
        touched[count] = out
        count += 1
        if watched[out]:
            shown = shown | change
        for place in range(reader_at[out], reader_at[out + 1]):
            waiting += _wake(pending, readers[place])
    for index in range(count):
        put(w, touched[index], take(v, touched[index]))
    return shown


@compiled
def _observe(
    v: Lanes,
    w: Lanes,
    ops: Operations,
    order: Tables,
    reader_at: Tables,
    readers: Tables,
    pending: Tables,
    seen: Lanes,
    watched: NDArray[np.uint8],
    touched: Tables,
) -> None:
    """Work out, for each slot in ``order`` (the last first), in which lanes outputs show it."""
    for slot in order:
        first, last = reader_at[slot], reader_at[slot + 1]
        if watched[slot] and last == first:
            put(seen, slot, spread(v, ALL))
        elif last == first:
            put(seen, slot, spread(v, _NONE))
        elif last - first == 1 and not watched[slot]:
            index = readers[first]
            pins = int(ops[index, 1] == slot) + 2 * int(ops[index, 2] == slot)
            put(seen, slot, _branch(v, ops, index, pins) & take(seen, ops[index, 3]))
        else:
            shown = _flip(v, w, ops, slot, reader_at, readers, pending, seen, watched, touched)
            put(seen, slot, shown)


@compiled
def _detect(v: Lanes, ops: Operations, seen: Lanes, sites: Tables, found: Lanes) -> None:
    """For each fault (slot, level, operation or -1, pin) the lanes that find it."""
    for index in range(len(sites)):
        slot, level = sites[index, 0], sites[index, 1]
        value = take(v, slot)
        excited = value if level == 0 else ~value
        if sites[index, 2] < 0:
            shown = take(seen, slot)
        else:
            at, pins = sites[index, 2], sites[index, 3]
            shown = _branch(v, ops, at, pins) & take(seen, ops[at, 3])
        put(found, index, excited & shown)


@compiled
def _branch(v: Lanes, ops: Operations, index: int, pins: int) -> Any:
    """Lanes in which an operation shows a change at one input (1, 2) or both (3)."""
    a, b = take(v, ops[index, 1]), take(v, ops[index, 2])
    now = operate(v, ops[index, 0], a, b)
    if pins == 1:
        return now ^ operate(v, ops[index, 0], ~a, b)
    if pins == 2:
        return now ^ operate(v, ops[index, 0], a, ~b)
    return now ^ operate(v, ops[index, 0], ~a, ~b)


class Observer:
    """Combinational logic, or that between the flops of a netlist, and its stuck-at faults.

    Flops count as inputs with their outputs, and as outputs with their data. Nothing drives
    bidirectional ports from outside.
    """

    def __init__(self, netlist: Netlist, faults: Sequence[StuckAt]) -> None:
        self._made = compile_netlist(netlist)
        made, program = self._made, self._made.program
        self._ops = program.operations
        ports = netlist.ports
        self.inputs = np.array(
            [
                *(n for p in ports if p.direction is PortDirection.INPUT for n in p.nets),
                *netlist.tables.q.tolist(),
            ]
        )
        outs = [n for p in ports if p.direction is not PortDirection.INPUT for n in p.nets]
        self.outputs = np.array([*outs, *netlist.tables.data.tolist()])
        slots = made.slots
        self._watched = np.zeros(slots, dtype=np.uint8)
        self._watched[made.seen[0, self.outputs]] = 1
        pairs = [
            (int(op[pin]), index)
            for index, op in enumerate(self._ops.tolist())
            for pin in ((1,) if op[1] == op[2] else (1, 2))
        ]
        pairs.sort()
        counts = np.bincount([slot for slot, _ in pairs], minlength=slots)
        self._reader_at = np.concatenate(([0], np.cumsum(counts))).astype(np.int64)
        self._readers = np.array([index for _, index in pairs], dtype=np.int64)
        outs_in_order = self._ops[::-1, 3].astype(np.int64)
        self._order = np.concatenate((outs_in_order, made.own[0, self.inputs]))
        sites = [self._site(fault) for fault in faults]
        self._sites = np.array(sites, dtype=np.int64).reshape(-1, 4)
        self._v, self._w = new_lanes(slots, WIDE), new_lanes(slots, WIDE)
        self._v[made.own[0, HIGH]] = ALL
        self._seen = new_lanes(slots, WIDE)
        self._pending = np.zeros(len(self._ops) // 64 + 1, dtype=np.int64)
        self._touched = np.zeros(slots, dtype=np.int64)

    @property
    def machine(self) -> tuple[Lanes, Operations]:
        """Values and operations, as ``kernel.evaluate`` takes them."""
        return self._v, self._ops

    def _site(self, fault: StuckAt) -> tuple[int, int, int, int]:
        slot = int(self._made.seen[0, fault.net])
        if not fault.readers:
            return slot, fault.level, -1, 0
        places = [p for gate, pin in fault.readers for p in self._made.places(gate, pin)]
        pins = sum(1 << place.pin for place in places)
        return slot, fault.level, places[0].operation, pins

    def evaluate(self, patterns: Lanes) -> None:
        """Set the inputs, ``(inputs, 8)`` words for 512 patterns, and evaluate all gates."""
        self._v[self._made.own[0, self.inputs]] = patterns
        evaluate(self._v, self._ops, 0, len(self._ops))

    def responses(self) -> Lanes:
        """Levels of the outputs, ``(outputs, 8)``."""
        levels: Lanes = self._v[self._made.seen[0, self.outputs]]
        return levels

    def detections(self, patterns: Lanes) -> Lanes:
        """Patterns that find each fault: ``(faults, 8)`` words for 512 patterns."""
        self.evaluate(patterns)
        self._w[:] = self._v
        _observe(
            self._v,
            self._w,
            self._ops,
            self._order,
            self._reader_at,
            self._readers,
            self._pending,
            self._seen,
            self._watched,
            self._touched,
        )
        found = new_lanes(len(self._sites), WIDE)
        _detect(self._v, self._ops, self._seen, self._sites, found)
        return found

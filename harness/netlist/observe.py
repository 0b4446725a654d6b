"""Which stuck-at faults patterns find in combinational logic: 512 patterns at once.

The one rule: what makes a fault visible is worked out once for a net, not once for a fault. In
reverse order, a net with one reader is visible where its gate lets it through and the gate's
output is visible; only nets with several readers (stems) are tried, by events that stop when they
are down to one net whose visibility is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import compiled, inlined, lowest_place, put, some, spread, take
from harness.netlist.kernel import Operations, evaluate, operate
from harness.netlist.lanes import ALL, FULL, WIDE, Lanes, new_lanes, pack, unpack
from harness.netlist.layout import Tables
from harness.netlist.model import HIGH, Netlist, PortDirection
from harness.netlist.program import compile_netlist
from harness.netlist.stuck import StuckAt

_NONE = np.uint64(0)


class Work(NamedTuple):
    """What the reverse pass works on.

    ``v``: values; ``w``: the same, but while a net is tried; ``readers`` of a slot, in order, from
    ``reader_at[slot]`` on; ``pending``: a bit for each operation, all 0 at rest; ``seen``: lanes
    in which outputs show a slot; ``watched``: slots that are outputs; ``touched``: slots tried.
    """

    v: Lanes
    w: Lanes
    ops: Operations
    reader_at: Tables
    readers: Tables
    pending: Tables
    seen: Lanes
    watched: NDArray[np.uint8]
    touched: Tables


@inlined
def _wake(k: Work, slot: int) -> int:
    """Mark the readers of a slot as pending; gives how many were not yet."""
    fresh = 0
    for place in range(k.reader_at[slot], k.reader_at[slot + 1]):
        index = k.readers[place]
        fresh += 1 - ((k.pending[index >> 6] >> (index & 63)) & 1)
        k.pending[index >> 6] |= 1 << (index & 63)
    return fresh


@compiled
def _flip(k: Work, slot: int) -> Any:
    """Invert a net in all lanes and follow the events; gives where an output shows it."""
    count, waiting = 1, _wake(k, slot)
    word = k.readers[k.reader_at[slot]] >> 6 if waiting > 0 else 0
    k.touched[0] = slot
    put(k.w, slot, ~take(k.v, slot))
    shown = spread(k.v, ALL if k.watched[slot] else _NONE)
    while waiting > 0:
        while k.pending[word] == 0:
            word += 1
        index = (word << 6) + lowest_place(k.pending[word])
        k.pending[word] &= k.pending[word] - 1
        waiting -= 1
        out = int(k.ops[index, 3])
        new = operate(k.v, k.ops[index, 0], take(k.w, k.ops[index, 1]), take(k.w, k.ops[index, 2]))
        change = new ^ take(k.v, out)
        if not some(change):
            continue
        if waiting == 0:  # the only event left: what becomes of it is known already
            shown = shown | (change & take(k.seen, out))
            break
        put(k.w, out, new)
        k.touched[count] = out
        count += 1
        if k.watched[out]:
            shown = shown | change
        waiting += _wake(k, out)
    for index in range(count):
        put(k.w, k.touched[index], take(k.v, k.touched[index]))
    return shown


@compiled
def _observe(k: Work, order: Tables) -> None:
    """Work out, for each slot in ``order`` (the last first), in which lanes outputs show it."""
    for slot in order:
        first, last = k.reader_at[slot], k.reader_at[slot + 1]
        if last == first:
            put(k.seen, slot, spread(k.v, ALL if k.watched[slot] else _NONE))
        elif last - first == 1 and not k.watched[slot]:
            index = k.readers[first]
            pins = int(k.ops[index, 1] == slot) + 2 * int(k.ops[index, 2] == slot)
            put(k.seen, slot, _branch(k.v, k.ops, index, pins) & take(k.seen, k.ops[index, 3]))
        else:
            put(k.seen, slot, _flip(k, slot))


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
    bidirectional ports from outside. Only ``outputs`` are compared, if they are given.
    """

    def __init__(
        self,
        netlist: Netlist,
        faults: Sequence[StuckAt],
        outputs: NDArray[np.integer] | None = None,
    ) -> None:
        self._made = made = compile_netlist(netlist)
        operations, ports = made.program.operations, netlist.ports
        self.inputs = np.array(
            [
                *(n for p in ports if p.direction is PortDirection.INPUT for n in p.nets),
                *netlist.tables.q.tolist(),
            ]
        )
        outs = [n for p in ports if p.direction is not PortDirection.INPUT for n in p.nets]
        every = np.array([*outs, *netlist.tables.data.tolist()])
        self.outputs = every if outputs is None else outputs
        slots = made.slots
        watched = np.zeros(slots, dtype=np.uint8)
        watched[made.seen[0, self.outputs]] = 1
        pairs = [
            (int(op[pin]), index)
            for index, op in enumerate(operations.tolist())
            for pin in ((1,) if op[1] == op[2] else (1, 2))
        ]
        pairs.sort()
        counts = np.bincount([slot for slot, _ in pairs], minlength=slots)
        outs_in_order = operations[::-1, 3].astype(np.int64)
        self._order = np.concatenate((outs_in_order, made.own[0, self.inputs]))
        sites = [self._site(fault) for fault in faults]
        self._sites = np.array(sites, dtype=np.int64).reshape(-1, 4)
        self._work = Work(
            v=new_lanes(slots, WIDE),
            w=new_lanes(slots, WIDE),
            ops=operations,
            reader_at=np.concatenate(([0], np.cumsum(counts))).astype(np.int64),
            readers=np.array([index for _, index in pairs], dtype=np.int64),
            pending=np.zeros(len(operations) // 64 + 1, dtype=np.int64),
            seen=new_lanes(slots, WIDE),
            watched=watched,
            touched=np.zeros(slots, dtype=np.int64),
        )
        self._work.v[made.own[0, HIGH]] = ALL

    def _site(self, fault: StuckAt) -> tuple[int, int, int, int]:
        slot = int(self._made.seen[0, fault.net])
        if not fault.readers:
            return slot, fault.level, -1, 0
        places = [p for gate, pin in fault.readers for p in self._made.places(gate, pin)]
        pins = sum(1 << place.pin for place in places)
        return slot, fault.level, places[0].operation, pins

    def found_by(self, nets: NDArray[np.integer], levels: NDArray[np.integer]) -> NDArray[np.bool_]:
        """Say which faults each pattern finds: ``(faults, patterns)``.

        ``levels`` ``(patterns, nets)`` are those of these inputs; all others are 0.
        """
        places = {net: place for place, net in enumerate(self.inputs.tolist())}
        at = [places[net] for net in nets.tolist()]
        found = np.zeros((len(self._sites), len(levels)), dtype=np.bool_)
        for first in range(0, len(levels), FULL):
            part = levels[first : first + FULL] != 0
            patterns = np.zeros((len(self.inputs), len(part)), dtype=np.bool_)
            patterns[at] = part.T
            lanes = self.detections(pack(patterns, WIDE))
            found[:, first : first + FULL] = unpack(lanes, len(part))
        return found

    def detections(self, patterns: Lanes) -> Lanes:
        """Patterns that find each fault: ``(faults, 8)`` words for 512 patterns."""
        work = self._work
        work.v[self._made.own[0, self.inputs]] = patterns
        evaluate(work.v, work.ops, 0, len(work.ops))
        work.w[:] = work.v
        _observe(work, self._order)
        found = new_lanes(len(self._sites), WIDE)
        _detect(work.v, work.ops, work.seen, self._sites, found)
        return found

"""Which stuck-at faults a sequence of steps finds: 512 faulty machines at once.

The one rule: a fault is found by an output that is known in the good and in the faulty machine,
and differs. Machines are the same as everywhere; what is faulty in a lane is a list of patches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.netlist.assembly import assemble
from harness.netlist.compiler import compiled, head, lowest_place, put, some, spread, take
from harness.netlist.kernel import EVERYTHING, Operations, advance, prime, show
from harness.netlist.lanes import (
    ALL,
    FULL,
    HEALTHY,
    WIDE,
    Force,
    Lane,
    Lanes,
    new_lanes,
)
from harness.netlist.layout import (
    DIRTY,
    FROZEN,
    KEEP,
    LEVEL,
    PATCH_AT,
    PATCH_OPERATION,
    PATCH_PIN,
    PLAIN,
    RAILS,
    RAW,
    READERS,
    Machine,
    Tables,
)
from harness.netlist.model import Netlist, PortDirection
from harness.netlist.stuck import FaultPatches, StuckAt, fault_patches

_NONE = np.uint64(0)
UNFOUND = -1


@dataclass(frozen=True, eq=False)
class Steps:
    """What is done to the inputs of a netlist, one row a step.

    ``nets``: inputs; ``levels`` ``(steps, nets)`` 0 or 1; ``strobe`` in which steps the outputs
    are compared when all has settled.
    """

    nets: NDArray[np.int64]
    levels: NDArray[np.uint8]
    strobe: NDArray[np.bool_]


def clocked(netlist: Netlist, vectors: NDArray[np.uint8], clock: str) -> Steps:
    """Two steps a vector: levels with the clock low, compared; then the clock rises.

    ``vectors`` ``(cycles, bits)``: bits of all inputs but the clock, in the order of the ports.
    """
    ports = [p for p in netlist.ports if p.direction is PortDirection.INPUT and p.name != clock]
    nets = [net for port in ports for net in port.nets]
    levels = np.zeros((2 * len(vectors), len(nets) + 1), dtype=np.uint8)
    levels[:, :-1] = np.repeat(vectors, 2, axis=0)
    levels[1::2, -1] = 1
    strobe = np.arange(len(levels)) % 2 == 0
    return Steps(np.array([*nets, netlist.port(clock).nets[0]]), levels, strobe)


@compiled
def _step(
    v: Lanes, t: Tables, ops: Operations, slots: Tables, levels: NDArray[np.uint8], step: int
) -> None:
    """Set the inputs that change, and let the flops follow where that may concern them."""
    follow = False
    for index in range(len(slots)):
        level = levels[step, index]
        if step > 0 and levels[step - 1, index] == level:
            continue
        for rail in range(t[RAILS]):
            slot = slots[index, rail]
            put(v, slot, spread(v, ALL if level != rail else _NONE))
            t[DIRTY] |= t[t[READERS] + slot]
        follow |= slots[index, 2] == 1
    if follow or (t[PLAIN] == 0 and t[DIRTY] != 0):
        advance(v, t, ops)


@compiled
def _record(
    v: Lanes,
    t: Tables,
    ops: Operations,
    slots: Tables,
    levels: NDArray[np.uint8],
    strobe: NDArray[np.bool_],
    outputs: Tables,
    good: NDArray[np.uint8],
) -> None:
    """Run the good machine; what is on the outputs (0, 1, 2 unknown) goes to ``good``."""
    for step in range(len(levels)):
        _step(v, t, ops, slots, levels, step)
        if strobe[step]:
            show(v, t, ops, EVERYTHING)
            for index in range(len(outputs)):
                one = head(take(v, outputs[index, 0])) & np.uint64(1)
                good[step, index] = one
                if t[RAILS] == 2 and one == 0:
                    zero = head(take(v, outputs[index, 1])) & np.uint64(1)
                    good[step, index] = 2 * (1 - zero)


@compiled
def _compare(
    v: Lanes,
    t: Tables,
    ops: Operations,
    slots: Tables,
    levels: NDArray[np.uint8],
    strobe: NDArray[np.bool_],
    outputs: Tables,
    good: NDArray[np.uint8],
    span: Tables,
    found: Tables,
    scratch: Lanes,
) -> None:
    """Run faulty machines from step ``span[0]`` to ``span[1]``; first steps go to ``found``."""
    for step in range(span[0], span[1]):
        _step(v, t, ops, slots, levels, step)
        if not strobe[step]:
            continue
        show(v, t, ops, EVERYTHING)
        differ = spread(v, _NONE)
        for index in range(len(outputs)):
            level = good[step, index]
            if level == 2:
                continue
            if t[RAILS] == 2:
                differ = differ | take(v, outputs[index, level])
            else:
                differ = differ | (take(v, outputs[index, 0]) ^ spread(v, ALL if level else _NONE))
        fresh = differ & ~take(scratch, 0)
        if some(fresh):
            put(scratch, 0, take(scratch, 0) | differ)
            put(scratch, 1, fresh)
            for word in range(WIDE):
                left = scratch[1, word]
                while left != _NONE:
                    found[64 * word + lowest_place(left)] = step
                    left &= left - np.uint64(1)


class Grader:
    """A netlist with its good responses to some steps, and room for 512 faulty machines.

    ``state``: levels of the flops at the start (0 or 1); None: unknown, so with three values.
    """

    def __init__(
        self,
        netlist: Netlist,
        faults: Sequence[StuckAt],
        steps: Steps,
        state: NDArray[np.integer] | None = None,
    ) -> None:
        self._values = 3 if state is None else 2
        self._start = np.full(netlist.flop_count, 2) if state is None else state
        self._steps = steps
        nets = sorted({fault.net for fault in faults if not fault.readers})
        lane = Lane(nets=tuple(Force(net, 0) for net in nets))  # only so that they can be forced
        wide = [lane, *[HEALTHY] * (FULL - 1)]
        unknown = np.full((netlist.flop_count, FULL), 2)
        made = assemble(netlist, [], wide, unknown, self._values)
        self._compiled = made.compiled
        self._faults = fault_patches(made.compiled, faults)
        self._machine = _with_room(made.machine, self._faults)
        self._slots, self._outputs = self._places(netlist)
        self._good = self._responses()

    def first_detections(self) -> NDArray[np.int64]:
        """Step that first finds each fault, or UNFOUND; every machine runs to the end."""
        count, last = len(self._faults.first) - 1, len(self._steps.levels)
        found = np.full(count, UNFOUND)
        for first in range(0, count, FULL):
            chosen = np.arange(first, min(first + FULL, count))
            found[chosen] = self._run(chosen, self._states(WIDE), 0, last)[0]
        return found

    def first_detections_dropping(self) -> NDArray[np.int64]:
        """The same; found faults are dropped, and the others closed up with their states."""
        count, last = len(self._faults.first) - 1, len(self._steps.levels)
        found = np.full(count, UNFOUND)
        left, states = np.arange(count), self._states(-(-count // FULL) * WIDE)
        at, span = 0, _FIRST_SPAN
        while at < last and len(left):
            end = min(at + span, last)
            for group, first in enumerate(range(0, len(left), FULL)):
                chosen = left[first : first + FULL]
                words = slice(group * WIDE, (group + 1) * WIDE)
                found[chosen], states[:, words] = self._run(chosen, states[:, words], at, end)
            kept = np.flatnonzero(found[left] == UNFOUND)
            if end < last:
                states = _closed_up(states, kept)
            left = left[kept]
            at, span = end, 2 * span
        return found

    def _states(self, words: int) -> Lanes:
        """Start of all flops (three-valued: whether 1, then whether 0), alike in all lanes."""
        levels = [self._start == 1] if self._values == 2 else [self._start == 1, self._start == 0]
        column = np.where(np.concatenate(levels), ALL, np.uint64(0))
        return np.repeat(column[:, None], words, axis=1)

    def _places(self, netlist: Netlist) -> tuple[Tables, Tables]:
        """Slots of the inputs, with whether flops may have to follow; slots of the outputs."""
        made = self._compiled
        controls = set(made.program.groups[:, [3, 4, 6, 7, 9, 10]].reshape(-1).tolist())
        own = made.own[:, self._steps.nets]
        at_once = [not made.program.plain or bool({*slots} & controls) for slots in own.T.tolist()]
        slots = np.column_stack((own[0], own[-1], at_once)).astype(np.int64)
        outs = [n for p in netlist.ports if p.direction is not PortDirection.INPUT for n in p.nets]
        return slots, np.column_stack((made.seen[0, outs], made.seen[-1, outs])).astype(np.int64)

    def _responses(self) -> NDArray[np.uint8]:
        """What the good machine gives: 0, 1, 2 for unknown; a row a step."""
        steps = self._steps
        good = np.zeros((len(steps.levels), len(self._outputs)), dtype=np.uint8)
        self._fill(np.zeros(0, dtype=np.int64), self._states(WIDE), 0)
        levels, strobe = steps.levels, steps.strobe
        _record(*self._machine, self._slots, levels, strobe, self._outputs, good)
        return good

    def _run(
        self, chosen: NDArray[np.int64], states: Lanes, at: int, end: int
    ) -> tuple[NDArray[np.int64], Lanes]:
        """Run some faults from their states; gives where they are found, and their states."""
        self._fill(chosen, states, at)
        found = np.full(FULL, UNFOUND)
        steps, span, scratch = self._steps, np.array([at, end]), new_lanes(2, WIDE)
        levels, strobe = steps.levels, steps.strobe
        _compare(
            *self._machine,
            self._slots,
            levels,
            strobe,
            self._outputs,
            self._good,
            span,
            found,
            scratch,
        )
        return found[: len(chosen)], self._machine.v[: len(states)].copy()

    def _fill(self, chosen: NDArray[np.int64], states: Lanes, at: int) -> None:
        """Put faults and states into the lanes, as they are before a step."""
        v, t, ops = self._machine
        first, table = self._faults.first, self._faults
        counts = first[chosen + 1] - first[chosen]
        lanes = np.repeat(np.arange(len(chosen)), counts)
        starts = np.repeat(first[chosen] - np.cumsum(counts) + counts, counts)
        rows = starts + np.arange(len(lanes))
        order = np.lexsort((table.pin[rows], table.operation[rows]))
        rows, lanes = rows[order], lanes[order]
        operation, pin, high = table.operation[rows], table.pin[rows], table.level[rows]
        fresh = np.ones(len(rows), dtype=np.bool_)  # what is at one pin shares a patch
        fresh[1:] = (operation[1:] != operation[:-1]) | (pin[1:] != pin[:-1])
        index, count = np.cumsum(fresh) - 1, int(fresh.sum())
        t[t[PATCH_OPERATION] : t[PATCH_OPERATION] + count] = operation[fresh]
        t[t[PATCH_PIN] : t[PATCH_PIN] + count] = pin[fresh]
        blocks = np.searchsorted(operation[fresh], self._compiled.program.first)
        t[t[PATCH_AT] : t[PATCH_AT] + len(blocks)] = blocks
        keep, level = (v[t[head] : t[head] + count].reshape(-1) for head in (KEEP, LEVEL))
        keep[:], level[:] = ALL, 0
        words, bits = WIDE * index + lanes // 64, np.uint64(1) << (lanes % 64).astype(np.uint64)
        np.bitwise_and.at(keep, words, ~bits)
        np.bitwise_or.at(level, words[high], bits[high])
        v[: len(states)] = states
        before = self._steps.levels[max(at - 1, 0)]
        for rail in range(t[RAILS]):
            v[self._slots[:, rail]] = np.where(before != rail, ALL, np.uint64(0))[:, None]
        v[t[FROZEN]] = 0
        prime(v, t, ops)


_FIRST_SPAN = 64
"""Steps after which machines are first closed up; then after twice as many, and so on."""


def _closed_up(states: Lanes, kept: NDArray[np.int64]) -> Lanes:
    """States with only some lanes left, in words for whole rows."""
    closed = np.zeros((len(states), -(-len(kept) // FULL) * WIDE), dtype=np.uint64)
    _pick(states, kept, closed)
    return closed


@compiled
def _pick(states: Lanes, kept: Tables, closed: Lanes) -> None:
    """Copy the bits of some lanes, in their order."""
    for entry in range(states.shape[0]):
        for lane in range(len(kept)):
            old = kept[lane]
            bit = (states[entry, old >> 6] >> np.uint64(old & 63)) & np.uint64(1)
            closed[entry, lane >> 6] |= bit << np.uint64(lane & 63)


def _with_room(machine: Machine, faults: FaultPatches) -> Machine:
    """Give a machine room for the patches of any 512 faults."""
    most = int(np.diff(faults.first).max(initial=1)) * FULL
    v, t, ops = machine
    wider = new_lanes(len(v) + 3 * most, WIDE)
    wider[: len(v)] = v
    longer = np.concatenate((t, np.zeros(2 * most, dtype=np.int64)))
    longer[[KEEP, LEVEL, RAW]] = len(v) + most * np.arange(3)
    longer[[PATCH_OPERATION, PATCH_PIN]] = len(t) + most * np.arange(2)
    return Machine(wider, longer, ops)

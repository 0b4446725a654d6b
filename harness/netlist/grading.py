"""Which stuck-at faults a sequence of steps finds: 512 faulty machines at once.

The one rule: a fault is found by an output that is known in the good and in the faulty machine,
and differs. A faulty machine is its patches and the flops that are not as in the good one; that is
all that is kept of it from one span of steps to the next, so any machines can share a pass.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.netlist.assembly import assemble
from harness.netlist.compiler import compiled, lowest_place
from harness.netlist.differences import Differences, actions, controlled
from harness.netlist.lanes import ALL, FULL, WIDE, Force, Lane, Lanes, new_lanes
from harness.netlist.layout import PATCH_AT, RAILS, Tables
from harness.netlist.model import Netlist
from harness.netlist.passes import UNFOUND, Patches, Span, Trace, begin, record
from harness.netlist.program import BLOCKS
from harness.netlist.stuck import StuckAt, fault_patches, representatives
from harness.netlist.whole import Whole

_NONE = np.uint64(0)


@dataclass(frozen=True, eq=False)
class Steps:
    """What is done to the inputs of a netlist, one row a step, and what is compared.

    ``nets``: inputs; ``levels`` ``(steps, nets)`` 0 or 1; ``outputs``: nets; ``compared`` ``(steps,
    outputs)``: which of them are compared when all has settled.
    """

    nets: NDArray[np.int64]
    levels: NDArray[np.uint8]
    outputs: NDArray[np.int64]
    compared: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Detections:
    """For each fault: the ``first`` step that finds it, or UNFOUND.

    ``possible``: whether an output that was compared, and is known without the fault, was ever
    unknown with it.
    """

    first: NDArray[np.int64]
    possible: NDArray[np.bool_]


class Grader:
    """A netlist with some steps, and what finds the faults in them, 512 at once.

    ``state``: levels of the flops at the start (0 or 1); None: unknown, so with three values.
    Of faults that no output can tell from each other, by the gates that they are at, one is run.
    """

    def __init__(
        self,
        netlist: Netlist,
        faults: Sequence[StuckAt],
        steps: Steps,
        state: NDArray[np.integer] | None = None,
    ) -> None:
        values = 3 if state is None else 2
        self._start = np.full(netlist.flop_count, 2) if state is None else state
        self._steps = steps
        nets = sorted({fault.net for fault in faults if not fault.readers})
        lane = Lane(nets=tuple(Force(net, 0) for net in nets))  # only so that they can be forced
        made = assemble(netlist, [], [lane], self._start[:, None], values)
        self._good, self._compiled = made.machine, made.compiled
        self._strobe: NDArray[np.bool_] = np.any(steps.compared, axis=1)
        self._slots, self._outputs = self._places()
        self._faults = fault_patches(made.compiled, faults)
        counts = np.diff(self._faults.first)
        self._controlled = controlled(made.compiled, steps.nets)
        self._run: Differences | Whole
        if self._controlled:
            self._run = Differences(made.compiled, self._outputs)
        else:
            self._run = Whole(made, self._outputs, int(counts.max(initial=1)) * FULL)
        self._faults = replace(self._faults, operation=self._run.places[self._faults.operation])
        self._max_span = max(_MAX_TRACE // max(len(self._run.noted), 1), 1)
        self._alike = representatives(netlist, faults)
        chosen = np.unique(self._alike)
        placed = chosen[counts[chosen] > 0]  # a net that nothing drives has no place
        order = np.argsort(self._faults.operation[self._faults.first[placed]], kind="stable")
        self._order = placed[order]  # neighbours, so that little differs in a pass

    def detections(self) -> Detections:
        """Say what finds each fault; span by span those found are dropped, the others closed up."""
        found = np.full(len(self._alike), UNFOUND)
        possible = np.zeros(len(self._alike), dtype=np.bool_)
        left = self._order
        differing = np.zeros((0, 2), dtype=np.int64)
        at, last, length = 0, len(self._steps.levels), _FIRST_SPAN
        while at < last and len(left):
            end = min(at + min(length, self._max_span), last)
            span, trace = self._traced(at, end)
            part, vague, differing = self._passes(left, differing, span, trace)
            possible[left] |= vague
            fresh = (found[left] == UNFOUND) & (part != UNFOUND)
            found[left[fresh]] = at + part[fresh]
            if end == last:
                break
            left, differing = _closed_up(left, found[left] == UNFOUND, differing)
            at, length = end, 2 * length
        return Detections(found[self._alike], possible[self._alike])

    def _passes(
        self, left: NDArray[np.int64], differing: NDArray[np.int64], span: Span, trace: Trace
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.int64]]:
        """Run some faults, 512 a pass; gives what :meth:`Differences.run` does of all."""
        found, vague, after = [], [], []
        groups = np.searchsorted(differing[:, 1], np.arange(0, len(left) + FULL, FULL))
        for group, patches in enumerate(self._patches(left)):
            own = differing[groups[group] : groups[group + 1]] - (0, group * FULL)
            part, may, states = self._run.run(patches, own, span, trace)
            found.append(part)
            vague.append(may)
            after.append(_ones(states, group * FULL))
        every = np.concatenate(found)[: len(left)], np.concatenate(vague)[: len(left)]
        return *every, np.concatenate(after)

    def _patches(self, left: NDArray[np.int64]) -> Iterator[Patches]:
        """Patches of some faults, 512 after the other."""
        table = self._faults
        counts = table.first[left + 1] - table.first[left]
        fault = np.repeat(np.arange(len(left)), counts)
        rows = np.repeat(table.first[left] - np.cumsum(counts) + counts, counts)
        rows += np.arange(len(rows))
        order = np.lexsort((table.pin[rows], table.operation[rows], fault // FULL))
        rows, fault = rows[order], fault[order]
        group, lane = fault // FULL, fault % FULL
        operation, pin = table.operation[rows], table.pin[rows]
        fresh = np.ones(len(rows), dtype=np.bool_)  # what is at one pin shares a patch
        fresh[1:] = np.any([np.diff(group), np.diff(operation), np.diff(pin)], axis=0)
        entry = np.cumsum(fresh) - 1
        keep, level = new_lanes(entry[-1] + 1, WIDE), new_lanes(entry[-1] + 1, WIDE)
        keep[:] = ALL
        _scatter(keep, level, entry, lane, table.level[rows])
        group, operation, pin = group[fresh], operation[fresh], pin[fresh]
        bounds = np.searchsorted(group, np.arange(group[-1] + 2))
        for a, b in itertools.pairwise(bounds.tolist()):
            at = np.searchsorted(operation[a:b], self._run.first)
            yield Patches(at, operation[a:b], pin[a:b], keep[a:b], level[a:b])

    def _traced(self, at: int, end: int) -> tuple[Span, Trace]:
        """Run the good machine over a span; at first from its start."""
        v, t, ops = self._good
        steps, length, noted = self._steps, end - at, self._run.noted
        levels = steps.levels[np.maximum(np.arange(at - 1, end), 0)]
        span = Span(self._slots, levels, self._strobe[at:end], steps.compared[at:end])
        if at == 0:
            known = [self._start == 1, self._start == 0][: t[RAILS]]
            v[: len(self._compiled.program.data)] = np.where(np.concatenate(known), ALL, _NONE)
            t[t[PATCH_AT] : t[PATCH_AT] + BLOCKS + 1] = 0
        states = np.zeros((2, len(self._compiled.program.data)), dtype=np.uint64)
        states[0] = v[: states.shape[1]]
        if at == 0:
            begin(self._good, span)
        does = np.zeros((length, 0), dtype=np.uint8)
        if self._controlled:
            does = actions(self._compiled, steps.nets, levels)
        trace = Trace(
            np.zeros((2 * length, len(noted)), dtype=np.uint8),
            np.full((length, 2), -1),
            does,
            np.any(does, axis=1),
            np.zeros((length, len(self._outputs)), dtype=np.uint8),
            states,
        )
        record(v, t, ops, span, self._outputs, noted, trace)
        states[1] = v[: states.shape[1]]
        return span, trace

    def _places(self) -> tuple[Tables, Tables]:
        """Slots of the inputs, with whether flops may have to follow; slots of the outputs."""
        made = self._compiled
        controls = set(made.program.groups[:, [3, 4, 6, 7, 9, 10]].reshape(-1).tolist())
        own = made.own[:, self._steps.nets]
        at_once = [not made.program.plain or bool({*slots} & controls) for slots in own.T.tolist()]
        slots = np.column_stack((own[0], own[-1], at_once)).astype(np.int64)
        return slots, np.ascontiguousarray(made.seen[:, self._steps.outputs].T.astype(np.int64))


_FIRST_SPAN = 64
"""Steps after which machines are first closed up; then after twice as many, and so on."""

_MAX_TRACE = 2**26
"""Maximum number of codes of the good machine that are kept at once, in each of two rows a step."""


def _closed_up(
    left: NDArray[np.int64], kept: NDArray[np.bool_], differing: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Machines that are kept, in the same order, and what differs in them."""
    differing = differing[kept[differing[:, 1]]]
    place = (np.cumsum(kept) - 1)[differing[:, 1]]
    order = np.argsort(place // FULL, kind="stable")
    return left[kept], np.column_stack((differing[order, 0], place[order]))


@compiled
def _scatter(
    keep: Lanes, level: Lanes, entry: Tables, lane: Tables, high: NDArray[np.bool_]
) -> None:
    """Set the bits of lanes in patches that share an entry."""
    for index in range(len(entry)):
        bit = np.uint64(1) << np.uint64(lane[index] & 63)
        keep[entry[index], lane[index] >> 6] &= ~bit
        if high[index]:
            level[entry[index], lane[index] >> 6] |= bit


def _ones(states: Lanes, first_lane: int) -> NDArray[np.int64]:
    """Where states have a 1: ``(n, 2)``, state and lane, which is counted from the first one."""
    ones = np.zeros((int(np.bitwise_count(states).sum()), 2), dtype=np.int64)
    _list_ones(states, first_lane, ones)
    return ones


@compiled
def _list_ones(states: Lanes, first_lane: int, ones: Tables) -> None:
    count = 0
    for state in range(len(states)):
        for word in range(WIDE):
            left = states[state, word]
            while left != _NONE:
                ones[count, 0] = state
                ones[count, 1] = first_lane + 64 * word + lowest_place(left)
                left &= left - np.uint64(1)
                count += 1

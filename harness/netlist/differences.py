"""512 faulty machines by what differs from the good one: where that is little, little is done.

The one rule: an entry of lanes is 1 where a slot is not as in the good machine. Most of them are
0 most of the time, so a block of a few operations that reads only 0 is skipped. What an operation
makes of differences depends on the good levels of its inputs, which are in its code. Flops must
act at the same time in all machines: clocks, sets and clears are inputs without faults. Where
they are not, machines are evaluated whole.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import compiled, inlined, peek, put, some, spread, take
from harness.netlist.lanes import FULL, WIDE, Lanes, new_lanes, unpack
from harness.netlist.layout import Tables
from harness.netlist.model import HIGH, LOW
from harness.netlist.passes import UNFOUND, Codes, Patches, Span, Trace, flip, keep_first
from harness.netlist.program import MASKS, Compiled

_NONE = np.uint64(0)
_SIZE = 16
"""Operations in a block, and inputs of it: a loop of fixed length is unrolled."""

HOLD, TAKE, LEVEL = range(3)
"""What flops of a group do in a step: nothing, take their data, or go to a level that is set."""


class Plan(NamedTuple):
    """A program in blocks of 16 operations with at most 16 inputs.

    ``ops`` as in a program, filled up with some that do nothing; ``inputs`` 16 slots for each
    block; ``data`` slots that states come from; ``groups`` first and one past the last state of
    each group; ``outs``: slot, output, rail (-1: the only one).
    """

    ops: NDArray[np.uint32]
    inputs: NDArray[np.uint32]
    data: Tables
    groups: Tables
    outs: Tables


def plan(made: Compiled, outputs: Tables) -> tuple[Plan, Tables]:
    """Cut a program into blocks; ``outputs`` ``(outputs, rails)`` slots.

    Gives the places of its operations too.
    """
    ops, data = made.program.operations, made.program.data
    # Data and outputs that no operation writes get one: then no state is read while states change.
    loose = np.setdiff1d(np.concatenate((data, outputs.reshape(-1))), ops[:, 3])
    extra = np.arange(made.slots, made.slots + len(loose))
    ops = np.vstack((ops, np.column_stack((np.full(len(loose), 4), loose, loose, extra))))
    moved = np.arange(made.slots + len(loose))
    moved[loose] = extra
    order = _beside_readers(ops)
    blocks = _cut(ops[order, 1:].tolist())
    zero, idle = int(made.own[0, LOW]), len(moved)
    filled = np.tile(np.array([4, zero, zero, idle], dtype=np.uint32), (len(blocks) * _SIZE, 1))
    inputs = np.full((len(blocks), _SIZE), zero, dtype=np.uint32)
    places = np.zeros(len(ops), dtype=np.int64)
    at = 0
    for number, (count, read) in enumerate(blocks):
        places[order[at : at + count]] = number * _SIZE + np.arange(count)
        inputs[number, : len(read)] = read
        at += count
    filled[places] = ops
    rails, flops = outputs.shape[1], made.netlist.flop_count
    groups = [
        (first + rail * flops, last + rail * flops, group)
        for group, (first, last) in enumerate(made.netlist.tables.groups[:, :2].tolist())
        for rail in range(rails)
    ]
    rail = np.tile(np.arange(rails) if rails == 2 else -1, len(outputs))
    outs = np.column_stack(
        (moved[outputs.reshape(-1)], np.repeat(np.arange(len(outputs)), rails), rail)
    )
    return Plan(
        filled, inputs, moved[data], np.array(groups, dtype=np.int64).reshape(-1, 3), outs
    ), places


def _beside_readers(ops: NDArray[np.uint32]) -> Tables:
    """Order of operations in which what buffers an input or a state comes before its reader."""
    size, index = int(ops[:, 1:].max()) + 1, np.arange(len(ops))
    written, reader = np.zeros(size, dtype=np.bool_), np.full(size, len(ops))
    written[ops[:, 3]] = True
    np.minimum.at(reader, ops[:, 1:3], index[:, None])
    buffers = (ops[:, 1] == ops[:, 2]) & ~written[ops[:, 1]]
    return np.argsort(np.where(buffers, reader[ops[:, 3]] - 0.5, index), kind="stable")


def _cut(ops: list[list[int]]) -> list[tuple[int, list[int]]]:
    """How many operations go into each block, and what it reads that is written elsewhere."""
    blocks: list[tuple[int, list[int]]] = []
    count, read, written = 0, set[int](), set[int]()
    for a, b, out in ops:
        more = read | ({a, b} - written)
        if count == _SIZE or len(more) > _SIZE:
            blocks.append((count, sorted(read)))
            count, more, written = 0, {a, b}, set()
        count, read = count + 1, more
        written.add(out)
    return [*blocks, (count, sorted(read))] if count else blocks


def controlled(made: Compiled, nets: NDArray[np.int64]) -> bool:
    """Whether all clocks, sets and clears of flops are among these inputs, and free of faults."""
    controls = {int(net) for net in made.netlist.tables.groups[:, [2, 5, 7]].reshape(-1)}
    return made.program.plain and controls <= {*nets.tolist(), LOW, HIGH}


def actions(made: Compiled, nets: NDArray[np.int64], levels: NDArray[np.uint8]) -> Codes:
    """What flops of each group do in steps from the second of these levels on."""
    column = {LOW: np.zeros(len(levels)), HIGH: np.ones(len(levels))}
    column |= dict(zip(nets.tolist(), levels.T, strict=True))
    found = np.zeros((len(levels) - 1, len(made.netlist.tables.groups)), dtype=np.uint8)
    for group, row in enumerate(made.netlist.tables.groups.tolist()):
        _, _, clock, clock_low, _, set_, set_low, clear, clear_low = row
        rises = np.diff((column[clock] != clock_low).astype(int)) > 0
        held = (column[set_] != set_low) | (column[clear] != clear_low)
        found[:, group] = np.where(held[1:], LEVEL, np.where(rises, TAKE, HOLD))
    return found


@inlined
def _operate(d: Lanes, code: int, a: Any, b: Any) -> Any:
    """What differs behind an operation."""
    at = 4 * (code & 7)
    either = (a & spread(d, peek(MASKS, at))) ^ (b & spread(d, peek(MASKS, at + 1)))
    return either ^ (a & b & spread(d, peek(MASKS, at + 2)))


@inlined
def _hold(d: Lanes, p: Patches, at: int, value: Any, good: int) -> Any:
    """Let a patch override what differs at a pin with this good level."""
    keep = take(p.keep, at)
    return (value & keep) | ((take(p.level, at) ^ spread(d, np.uint64(-good))) & ~keep)


@inlined
def _block(d: Lanes, plan: Plan, codes: Codes, row: int, block: int) -> Any:
    """Evaluate a block; gives the lanes in which something in it differs."""
    shown = spread(d, _NONE)
    for place in range(_SIZE):
        index = block * _SIZE + place
        a, b = take(d, peek(plan.ops, 4 * index + 1)), take(d, peek(plan.ops, 4 * index + 2))
        new = _operate(d, peek(codes, row * codes.shape[1] + index), a, b)
        put(d, peek(plan.ops, 4 * index + 3), new)
        shown = shown | new
    return shown


@inlined
def _patched(d: Lanes, plan: Plan, p: Patches, codes: Codes, row: int, block: int) -> Any:
    """As :func:`_block`, with patches."""
    shown = spread(d, _NONE)
    at, end = peek(p.at, block), peek(p.at, block + 1)
    for index in range(block * _SIZE, (block + 1) * _SIZE):
        code = peek(codes, row * codes.shape[1] + index)
        a, b = take(d, peek(plan.ops, 4 * index + 1)), take(d, peek(plan.ops, 4 * index + 2))
        while at < end and peek(p.operation, at) == index and peek(p.pin, at) < 2:
            if peek(p.pin, at) == 0:
                a = _hold(d, p, at, a, (code >> 3) & 1)
            else:
                b = _hold(d, p, at, b, (code >> 4) & 1)
            at += 1
        new = _operate(d, code, a, b)
        while at < end and peek(p.operation, at) == index:
            new = _hold(d, p, at, new, (code >> 5) & 1)
            at += 1
        put(d, peek(plan.ops, 4 * index + 3), new)
        shown = shown | new
    return shown


@inlined
def _sweep(d: Lanes, plan: Plan, p: Patches, codes: Codes, row: int, live: Codes) -> None:
    """Evaluate blocks that read, or have (``live``), or are patched to, something that differs."""
    for block in range(len(plan.inputs)):
        if peek(p.at, block) != peek(p.at, block + 1):
            _patched(d, plan, p, codes, row, block)
            continue
        if live[block] == 0:
            read = spread(d, _NONE)
            for place in range(_SIZE):
                read = read | take(d, peek(plan.inputs, block * _SIZE + place))
            if not some(read):
                continue
        live[block] = some(_block(d, plan, codes, row, block))


@inlined
def _take(d: Lanes, plan: Plan, actions: Codes, step: int) -> None:
    """Let the flops do what they do in a step."""
    for index in range(len(plan.groups)):
        first, last = plan.groups[index, 0], plan.groups[index, 1]
        action = actions[step, plan.groups[index, 2]]
        if action == TAKE:
            for state in range(first, last):
                put(d, state, take(d, peek(plan.data, state)))
        elif action == LEVEL:
            for state in range(first, last):
                put(d, state, spread(d, _NONE))


@inlined
def _compare(d: Lanes, plan: Plan, good: Codes, step: int) -> Any:
    """Lanes in which an output is known, in both machines, and differs; in which it may differ."""
    differ = vague = spread(d, _NONE)
    for out in range(len(plan.outs)):
        slot, output, rail = plan.outs[out, 0], plan.outs[out, 1], plan.outs[out, 2]
        level = good[step, output]
        if level == 2:
            continue
        if rail < 0 or level == rail:
            differ = differ | take(d, slot)
        else:
            vague = vague | take(d, slot)
    return differ, vague


@compiled
def run(
    d: Lanes, plan: Plan, p: Patches, trace: Trace, live: Codes, found: Tables, scratch: Lanes
) -> None:
    """Run machines over all steps of a trace; the steps that find them first go to ``found``.

    ``scratch``: see ``keep_first``.
    """
    done = -1
    for step in range(len(trace.rows)):
        for compared in range(2):
            row = trace.rows[step, compared]
            if row >= 0 and row != done:
                _sweep(d, plan, p, trace.codes, row, live)
                done = row
            if compared == 0 and trace.moves[step]:
                _take(d, plan, trace.actions, step)
                done = -1
            elif compared == 1 and row >= 0:
                differ, vague = _compare(d, plan, trace.good, step)
                keep_first(differ, vague, step, found, scratch)


class Differences:
    """Room for 512 machines of a program, and what runs them.

    ``places`` has the new place of each operation, ``first`` the first one of each block, and an
    end; ``noted`` are those of which codes are wanted.
    """

    def __init__(self, made: Compiled, outputs: Tables) -> None:
        self.plan, self.places = plan(made, outputs)
        self.noted = self.plan.ops
        self.first = np.arange(0, len(self.noted) + 1, _SIZE)
        self._d = new_lanes(int(self.plan.ops[:, 3].max(initial=made.slots)) + 1, WIDE)

    def run(
        self, patches: Patches, differing: NDArray[np.int64], _span: Span, trace: Trace
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_], Lanes]:
        """Run machines whose states ``differing`` ``(n, 2)``, state and lane, differ at the start.

        Gives the step of the trace that finds each first, or -1; whether it may be found; and what
        differs at the end.
        """
        self._d[:] = 0
        flip(self._d, differing)
        found, live = np.full(FULL, UNFOUND), np.zeros(len(self.plan.inputs), dtype=np.uint8)
        scratch = new_lanes(3, WIDE)
        run(self._d, self.plan, patches, trace, live, found, scratch)
        vague = unpack(scratch[2:], FULL)[0].astype(np.bool_)
        return found, vague, self._d[: len(self.plan.data)]

"""A netlist as the compiled loops read it: operations in order, in 64 blocks.

The one rule: whatever the lanes mean, they run the same program. Two-valued, a net is one slot;
three-valued it is two, one that says "is 1" and one that says "is 0" (neither: unknown), and each
gate becomes the operations of both. So no loop knows how many values there are, except where flops
take their data.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.netlist.lanes import ALL, Lanes
from harness.netlist.model import LOW, Kind, Netlist, PortDirection

BLOCKS = 64
_SMALLEST = 16
"""Operations in a block, at least: a block that is left out costs a branch."""
Slots = NDArray[np.uint32]

# An operation is ((a & b & both) ^ ((a ^ b) & either) ^ flip): any gate with two inputs, without
# a branch that the processor would have to guess. Its code has a bit for each of the three.
_FLIP, _EITHER, _BOTH = 1, 2, 4
_AND, _OR = _BOTH, _BOTH | _EITHER
_CODES = np.zeros(len(Kind), dtype=np.uint32)
_CODES[Kind.AND], _CODES[Kind.NAND] = _AND, _AND | _FLIP
_CODES[Kind.OR], _CODES[Kind.NOR] = _OR, _OR | _FLIP
_CODES[Kind.XOR], _CODES[Kind.XNOR] = _EITHER, _EITHER | _FLIP
MASKS = np.array(
    [[ALL if code & bit else 0 for bit in (_FLIP, _EITHER, _BOTH, 0)] for code in range(8)],
    dtype=np.uint64,
)


@dataclass(frozen=True, eq=False)
class Program:
    """Arrays that the loops read. A slot is a place in the array of values.

    operations
        ``(operations, 4)``: code, slots of both inputs and of the output, in order
    first
        ``(65,)``: the first operation of each block
    readers
        a bit for each block that a slot concerns, directly or through other gates
    groups
        flops clocked together: first and one past the last flop, latch, then for clock, set and
        clear: slot, slot of the opposite (three-valued), and whether to invert
    data
        slots that each flop takes its state from; three-valued those of "is 0" follow all of
        "is 1". The states themselves are the first slots, in the same order
    taken
        a bit for each block that flops take data from, directly or through other blocks
    plain
        no clock, set or clear comes from a gate or flop, and there are no latches: then gates
        need not be evaluated before they are read, or a clock rises
    """

    operations: Slots
    first: NDArray[np.int64]
    readers: Lanes
    groups: NDArray[np.int64]
    data: Slots
    taken: int
    plain: bool


class Place(NamedTuple):
    """An operation that is concerned by something at a pin of a gate.

    ``pin`` 0 and 1 are the inputs, 2 the output. ``rail`` 1: it carries "is 0".
    """

    operation: int
    pin: int
    rail: int


@dataclass(frozen=True, eq=False)
class Compiled:
    """A program with the maps back to the netlist.

    ``seen`` and ``own``: ``(values - 1, nets)`` slots that readers of a net read, and that its
    driver writes; they differ where something comes between, a bridge or a force.
    """

    netlist: Netlist
    values: int
    program: Program
    seen: Slots
    own: Slots
    held: Slots
    """As ``own``, behind a bridge."""
    _gate: NDArray[np.int64]
    _rank: NDArray[np.int64]
    _rails: NDArray[np.int8]
    _buffers: dict[int, int]

    @property
    def slots(self) -> int:
        """Entries in an array of values."""
        return len(self.program.readers)

    def concerned(self, operation: int) -> int:
        """Blocks that an operation concerns, as a signed word."""
        first, readers = self.program.first, self.program.readers
        block = int(np.searchsorted(first, operation, side="right")) - 1
        out = self.program.operations[operation, 3]
        return int((readers[out] | np.uint64(1 << block)).view(np.int64))

    @cached_property
    def _bounds(self) -> NDArray[np.int64]:
        gates = self.netlist.gate_count + len(self._buffers)
        return np.searchsorted(self._gate, np.arange(gates + 1))

    def places(self, gate: int, pin: int) -> Iterable[Place]:
        """Operations concerned by a pin of a gate of the netlist."""
        yield from self._at(int(self._rank[gate]) + len(self._buffers), pin)

    def net_places(self, net: int) -> Iterable[Place]:
        """Operations that write a net; none if the net is not driven, or not prepared."""
        if net in self._buffers:
            yield from self._at(self._buffers[net], 2)
        elif net in self.netlist.gate_by_output:
            yield from self.places(self.netlist.gate_by_output[net], 2)

    def _at(self, gate: int, pin: int) -> Iterable[Place]:
        for operation in range(self._bounds[gate], self._bounds[gate + 1]):
            rail = int(self._rails[operation, pin])
            if rail >= 0:
                yield Place(operation, pin, rail)


def compile_netlist(
    netlist: Netlist,
    values: int = 2,
    forced: Collection[int] = (),
    bridged: Collection[int] = (),
) -> Compiled:
    """Make the program of a netlist with 2 or 3 values.

    ``forced``: nets that will be forced (only those that no gate drives need preparation).
    ``bridged``: nets between whose driver and readers a bridge comes.
    """
    rails = values - 1
    slots = _Slots(netlist, rails)
    for net in sorted(set(bridged)):
        slots.between(net)
    held = slots.seen.copy()
    gates = netlist.gate_by_output
    buffered = sorted({n for n in forced if n in set(bridged) or n not in gates})
    rows = []
    for net in buffered:
        before = slots.seen[:, net].copy()
        slots.between(net)
        rows.append((Kind.AND, before, before, slots.seen[:, net].copy()))
    order = _order(netlist)
    kinds, a, b, out = (netlist.tables.gates[order, column] for column in range(4))
    kinds = np.concatenate(([row[0] for row in rows], kinds)).astype(np.int64)
    read_a = _columns([row[1] for row in rows], slots.seen[:, a])
    read_b = _columns([row[2] for row in rows], slots.seen[:, b])
    write = _columns([row[3] for row in rows], slots.own[:, out])
    expand = _single if rails == 1 else _double
    operations, gate, carried = expand(kinds, read_a, read_b, write, slots)
    buffers = {net: index for index, net in enumerate(buffered)}
    program = _program(netlist, operations, slots, held)
    rank = np.argsort(order)
    return Compiled(
        netlist, values, program, slots.seen, slots.own, held, gate, rank, carried, buffers
    )


def _order(netlist: Netlist) -> NDArray[np.int64]:
    """Gates, each after those that it reads, and near them: an input concerns few blocks."""
    gates, drivers = netlist.tables.gates.tolist(), netlist.gate_by_output
    order: list[int] = []
    done: set[int] = set()
    shown = [
        *(n for p in netlist.ports for n in p.nets),
        *(t.enable for t in netlist.tristates.values()),
    ]
    roots = [*shown, *netlist.tables.data.tolist()]
    for root in [*roots, *netlist.gate_by_output]:
        waiting = [root]
        while waiting:
            gate = drivers.get(waiting[-1])
            if gate is None or gate in done:
                waiting.pop()
                continue
            inputs = gates[gate][1:3]
            missing = [net for net in inputs if net in drivers and drivers[net] not in done]
            if missing:
                waiting += missing
            else:
                done.add(gate)
                order.append(gate)
                waiting.pop()
    return np.array(order, dtype=np.int64)


class _Slots:
    """Gives out slots: first those of flops, then those of each other net together."""

    def __init__(self, netlist: Netlist, rails: int) -> None:
        nets, q = netlist.net_count, netlist.tables.q
        self.rails = rails
        self.count = nets * rails
        self.own = np.zeros((rails, nets), dtype=np.uint32)
        self.own[:, q] = np.arange(rails * len(q)).reshape(rails, -1)
        others = np.delete(np.arange(nets), q)
        self.own[:, others] = np.arange(rails * len(q), self.count).reshape(-1, rails).T
        self.seen = self.own.copy()

    def new(self, count: int) -> Slots:
        """Give the first of some new slots, each as wide as a net's."""
        self.count += count
        return np.arange(self.count - count, self.count, dtype=np.uint32)

    def between(self, net: int) -> None:
        """Have readers of a net read something new, which nothing writes yet."""
        self.seen[:, net] = self.new(self.rails)


def _columns(first: Sequence[Slots], rest: Slots) -> Slots:
    return np.hstack((np.array(first, dtype=np.uint32).reshape(-1, len(rest)).T, rest))


def _single(
    kinds: NDArray[np.int64], a: Slots, b: Slots, out: Slots, _slots: _Slots
) -> tuple[Slots, NDArray[np.int64], NDArray[np.int8]]:
    """One operation a gate."""
    operations = np.column_stack((_CODES[kinds], a[0], b[0], out[0]))
    rails = np.zeros((len(kinds), 3), dtype=np.int8)
    return operations, np.arange(len(kinds)), rails


def _double(
    kinds: NDArray[np.int64], a: Slots, b: Slots, out: Slots, slots: _Slots
) -> tuple[Slots, NDArray[np.int64], NDArray[np.int8]]:
    """Two operations a gate, or six for an XOR; those of a gate stand together."""
    exclusive = kinds >= Kind.XOR
    inverted = (kinds == Kind.NAND) | (kinds == Kind.NOR) | (kinds == Kind.XNOR)
    is_or = (kinds == Kind.OR) | (kinds == Kind.NOR)
    counts = np.where(exclusive, 6, 2)
    starts = np.concatenate(([0], np.cumsum(counts)))
    operations = np.zeros((starts[-1], 4), dtype=np.uint32)
    rails = np.full((starts[-1], 3), -1, dtype=np.int8)
    which = np.flatnonzero(~exclusive)
    for read in (0, 1):  # of what is read; the output is on the other rail if it is inverted
        at = starts[which] + read
        code = np.where(is_or[which] == (read == 0), _OR, _AND)
        target = np.where(inverted[which], 1 - read, read)
        operations[at] = np.column_stack((code, a[read, which], b[read, which], out[target, which]))
        rails[at, 0] = rails[at, 1] = read
        rails[at, 2] = target
    which = np.flatnonzero(exclusive)
    for place, (form, first, second) in enumerate(_EXCLUSIVE):
        at = starts[which] + place
        if form == _AND:
            operations[at] = np.column_stack(
                (
                    np.full(len(which), form),
                    a[first, which],
                    b[second, which],
                    slots.new(len(which)),
                )
            )
            rails[at, 0], rails[at, 1] = int(first), int(second)
        else:
            rail_out = np.where(inverted[which], 1 - first, first)
            ins = operations[at - 2, 3], operations[at - 1, 3]
            operations[at] = np.column_stack(
                (np.full(len(which), form), *ins, out[rail_out, which])
            )
            rails[at, 2] = rail_out
    return operations, np.repeat(np.arange(len(kinds)), counts), rails


_EXCLUSIVE = ((_AND, 0, 1), (_AND, 1, 0), (_OR, 0, 0), (_AND, 0, 0), (_AND, 1, 1), (_OR, 1, 1))


def _program(netlist: Netlist, operations: Slots, slots: _Slots, held: Slots) -> Program:
    tables = netlist.tables
    size = max(_SMALLEST, -(-len(operations) // BLOCKS))
    first = np.minimum(np.arange(BLOCKS + 1) * size, len(operations))
    groups = np.zeros((len(tables.groups), 12), dtype=np.int64)
    groups[:, :3] = tables.groups[:, [0, 1, 4]]
    for place, (net, low) in ((3, (2, 3)), (6, (5, 6)), (9, (7, 8))):
        nets, inverted = tables.groups[:, net], tables.groups[:, low]
        one, zero = slots.seen[0, nets], slots.seen[-1, nets]
        if slots.rails == 1:
            groups[:, place : place + 3] = np.column_stack((one, zero, inverted))
        else:
            groups[:, place] = np.where(inverted, zero, one)
            groups[:, place + 1] = np.where(inverted, one, zero)
    data = slots.seen[:, tables.data].reshape(-1)
    return Program(
        np.ascontiguousarray(operations, dtype=np.uint32),
        first,
        _readers(operations, size, slots.count),
        groups,
        np.ascontiguousarray(data),
        blocks_behind(operations, first, data),
        _plain(netlist, slots, held),
    )


def blocks_behind(operations: Slots, first: NDArray[np.int64], slots: Slots) -> int:
    """Blocks that some slots come from, as a signed word; whole blocks are followed."""
    size = 1 + max(int(operations[:, 1:].max(initial=0)), int(slots.max(initial=0)))
    writer = np.full(size, BLOCKS)
    block = np.searchsorted(first, np.arange(len(operations)), side="right") - 1
    writer[operations[:, 3]] = block
    reads = np.zeros((BLOCKS, BLOCKS + 1), dtype=np.bool_)
    reads[block, writer[operations[:, 1]]] = reads[block, writer[operations[:, 2]]] = True
    behind = np.zeros(BLOCKS + 1, dtype=np.bool_)
    behind[writer[slots]] = True
    for target in reversed(range(BLOCKS)):
        if behind[target]:
            behind |= reads[target]
    return int(np.packbits(behind[:BLOCKS], bitorder="little").view("<i8")[0])


def _readers(operations: Slots, size: int, slots: int) -> Lanes:
    """Blocks that each slot concerns: those that read it, and what comes of that."""
    masks = [0] * slots
    for index, (_, a, b, out) in zip(
        reversed(range(len(operations))), reversed(operations.tolist()), strict=True
    ):
        concerned = masks[out] | 1 << index // size
        masks[a] |= concerned
        masks[b] |= concerned
    return np.array(masks, dtype=np.uint64)


def _plain(netlist: Netlist, slots: _Slots, held: Slots) -> bool:
    """Whether every clock, set and clear is an input that nothing comes between."""
    groups = netlist.tables.groups
    inputs = {net for p in netlist.ports if p.direction is PortDirection.INPUT for net in p.nets}
    controls = {int(net) for column in (2, 5, 7) for net in groups[:, column]}
    untouched = all(slots.seen[0, net] == slots.own[0, net] for net in controls)
    bridged = bool((held != slots.own).any())
    return not groups[:, 4].any() and controls <= inputs | {LOW, 1} and untouched and not bridged

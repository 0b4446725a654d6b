"""The arrays that the compiled loops make of a netlist and of what is special in each lane.

The one rule: a virtual chip is one lane, a hypothesis of what is wrong is a lane, and they go
through the same loops. Lanes that have something in common share an entry and its mask.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.grouping import grouped
from harness.netlist import layout
from harness.netlist.kernel import EVERYTHING
from harness.netlist.lanes import (
    ALL,
    WIDE,
    Delay,
    Force,
    Lane,
    Lanes,
    Pin,
    new_lanes,
    pack,
)
from harness.netlist.layout import LINES, Machine, lay_out
from harness.netlist.model import HIGH, LOW, Kind, Netlist, PortDirection
from harness.netlist.program import Compiled, blocks_behind, compile_netlist

_Mask = NDArray[np.bool_]
_Masks = dict[tuple[int, int], _Mask]
"""Lanes by a pin's bit, and a line or a level."""
_Term = list[tuple[int, _Mask]]
_Special = TypeVar("_Special")


@dataclass(frozen=True, eq=False)
class Machines:
    """Lanes ready to run; ``inputs`` is how many nets follow lines."""

    compiled: Compiled
    machine: Machine
    lanes: int
    inputs: int

    def name(self, flop: int) -> str:
        """Name the net that the loops mean by a flop that does not settle."""
        netlist = self.compiled.netlist
        if flop < netlist.flop_count:
            return netlist.names[int(netlist.tables.q[flop])]
        t = self.machine.t
        slots = t[t[layout.BRIDGE] + 2 : t[layout.BRIDGE] + 4]
        held = self.compiled.held[0]
        return "~".join(netlist.names[int(np.flatnonzero(held == slot)[0])] for slot in slots)


def assemble(
    netlist: Netlist,
    pins: Sequence[Pin],
    lanes: Sequence[Lane],
    states: NDArray[np.integer],
    values: int = 2,
) -> Machines:
    """Make lanes of a netlist ready; ``states`` ``(flops, lanes)`` 0, 1, or 2 for unknown.

    At most 512 lanes. Up to 64 take a word an entry, more a row.
    """
    wide = 1 if len(lanes) <= 64 else WIDE
    forced = {force.at for lane in lanes for force in lane.nets}
    bridged = frozenset(net for lane in lanes for b in lane.bridges for net in (b.a, b.b))
    sources = frozenset(n for n in forced if n in bridged or n not in netlist.gate_by_output)
    made = _compile(netlist, values, sources, bridged)
    parts = _Parts(wide, len(lanes))
    _program(parts, made, len(lanes))
    levels = _values(parts, made, states)
    _patches(parts, made, lanes)
    _bridges(parts, made, lanes)
    inputs = _wires(parts, made, pins, lanes)
    machine = lay_out(parts.numbers, parts.tables, parts.lanes, levels, made.program.operations)
    return Machines(made, machine, len(lanes), inputs)


class _Parts:
    """What goes into a machine's arrays, by its place in the head."""

    def __init__(self, wide: int, count: int) -> None:
        self.wide = wide
        self.count = count
        self.numbers: dict[int, int] = {}
        self.tables: dict[int, ArrayLike] = {}
        self.lanes: dict[int, Lanes] = {}

    def pack(self, rows: Sequence[list[int] | _Mask]) -> Lanes:
        """One entry for each list or mask of lanes, which are 1 in it."""
        bits = np.zeros((len(rows), 64 * self.wide), dtype=np.bool_)
        for index, lanes in enumerate(rows):
            bits[index, lanes] = True
        return self.filled(bits)

    def filled(self, bits: NDArray[np.bool_]) -> Lanes:
        """Entries of these lanes; those that are not used do what the first does."""
        wide = np.zeros((len(bits), 64 * self.wide), dtype=np.bool_)
        wide[:, : self.count], wide[:, self.count :] = bits[:, : self.count], bits[:, :1]
        return pack(wide, self.wide)

    def constant(self, ones: Sequence[bool]) -> Lanes:
        """Entries that are the same in all lanes."""
        return pack(
            np.repeat(np.array(ones, dtype=np.bool_)[:, None], 64 * self.wide, axis=1), self.wide
        )


def _values(parts: _Parts, made: Compiled, states: NDArray[np.integer]) -> Lanes:
    """Slots at the start: the states, all else 0 (three-valued: unknown), constants in place."""
    values = new_lanes(made.slots, parts.wide)
    levels = [states == 1] if made.values == 2 else [states == 1, states == 0]
    values[: len(made.program.data)] = parts.filled(np.concatenate(levels))
    values[made.own[0, HIGH]] = ALL
    if made.values == 3:
        values[made.own[1, LOW]] = ALL
    return values


def _program(parts: _Parts, made: Compiled, lanes: int) -> None:
    program, rails = made.program, made.values - 1
    groups, flops = len(program.groups), len(program.data)
    parts.numbers |= {
        layout.RAILS: rails,
        layout.FLOPS: flops // rails,
        layout.GROUPS: groups,
        layout.PLAIN: int(program.plain),
        layout.TAKEN: program.taken,
        layout.LANES: lanes,
    }
    parts.tables |= {
        layout.FIRST: program.first,
        layout.READERS: program.readers.view(np.int64),
        layout.GROUP: program.groups,
        layout.DATA: program.data,
        layout.WORDS: (0, 0, 0),
    }
    sizes = {
        layout.CLOCKS: groups * rails,
        layout.OPENED: groups * rails,
        layout.ACTIVE: groups,
        layout.PENDING: flops,
        layout.FROZEN: 2,
        layout.LIVE: 1,
        **dict.fromkeys(
            (layout.LINE_LEVEL, layout.LINE_ENABLE, layout.SEEN, layout.DRIVEN, layout.UNKNOWN),
            LINES,
        ),
    }
    parts.lanes |= {place: new_lanes(size, parts.wide) for place, size in sizes.items()}


@lru_cache(maxsize=64)
def _compile(
    netlist: Netlist, values: int, forced: frozenset[int], bridged: frozenset[int]
) -> Compiled:
    return compile_netlist(netlist, values, forced, bridged)


def _patches(parts: _Parts, made: Compiled, lanes: Sequence[Lane]) -> None:
    """Forced nets, sorted by operation, and those of them (and lines) that vary."""
    # Without the net, so that lanes with the same fault share an entry.
    found = _lanes_with(
        (
            (place, replace(force, at=0))
            for force in lane.nets
            for place in made.net_places(force.at)
        )
        for lane in lanes
    )
    outputs = _lanes_with(
        (*lane.outputs, *(Force(line, level) for line, level in lane.lines)) for lane in lanes
    )
    order = sorted(found, key=lambda entry: entry[0])
    masks = parts.pack([found[entry] for entry in order])
    high = [isinstance(f, Force) and f.level != place.rail for place, f in order]
    operations = [place.operation for place, _ in order]
    set_patches(parts, made, operations, [place.pin for place, _ in order], masks, high)
    varies = [k for k, (_, f) in enumerate(order) if isinstance(f, Delay) or f.probability < 1]
    rows = [(k, made.concerned(operations[k]), -1, *_chance(order[k][1])) for k in varies]
    rows += [(-1, 0, force.at, *_chance(force)) for force in outputs]
    parts.numbers[layout.VARYING] = len(rows)
    parts.tables[layout.VARY] = np.array(rows, dtype=np.int64)
    numbers = [*(found[order[k]] for k in varies), *outputs.values()]
    parts.lanes[layout.VARY_MASK] = parts.pack(numbers)
    levels = [*(high[k] for k in varies), *(bool(force.level) for force in outputs)]
    parts.lanes[layout.VARY_LEVEL] = parts.constant(levels)


def set_patches(
    parts: _Parts,
    made: Compiled,
    operations: ArrayLike,
    pins: ArrayLike,
    masks: Lanes,
    high: Sequence[bool],
) -> None:
    """Patches, sorted by operation: forced to 1 (``high``) or 0 in the lanes of their masks."""
    parts.tables[layout.PATCH_OPERATION] = operations
    parts.tables[layout.PATCH_PIN] = pins
    parts.tables[layout.PATCH_AT] = np.searchsorted(operations, made.program.first)
    parts.lanes[layout.KEEP] = ~masks
    parts.lanes[layout.LEVEL] = masks & parts.constant(high)
    parts.lanes[layout.RAW] = np.zeros_like(masks)


def _lanes_with(special: Iterable[Iterable[_Special]]) -> dict[_Special, list[int]]:
    """Lanes by what is special in them."""
    return grouped((one, number) for number, of_lane in enumerate(special) for one in of_lane)


def _chance(force: Force | Delay) -> tuple[int, int, int]:
    """Limit in Hz, largest hash and seed, as the loops have them: 64 bits with a sign."""
    if isinstance(force, Delay):
        return math.floor(force.limit_hz), 0, 0
    hash_ = min(int(force.probability * 2**64), 2**64 - 1)
    return -1, _signed(hash_), _signed(force.seed & (2**64 - 1))


def _signed(word: int) -> int:
    return word - 2**64 if word >> 63 else word


def _bridges(parts: _Parts, made: Compiled, lanes: Sequence[Lane]) -> None:
    rows, masks, either = [], [], []
    for bridge, numbers in _lanes_with(lane.bridges for lane in lanes).items():
        for rail in range(made.values - 1):
            nets = [bridge.a, bridge.b]
            rows.append([*made.own[rail, nets], *made.held[rail, nets]])
            masks.append(numbers)
            either.append((bridge.kind is Kind.OR) != bool(rail))
    parts.numbers[layout.BRIDGES] = len(rows)
    parts.tables[layout.BRIDGE] = np.array(rows, dtype=np.int64)
    parts.lanes[layout.BRIDGE_MASK] = parts.pack(masks)
    parts.lanes[layout.BRIDGE_OR] = parts.constant(either)
    touched: dict[int, set[int]] = {}
    for row, numbers in zip(rows, masks, strict=True):
        for slot in row[2:]:
            touched.setdefault(slot, set()).update(numbers)
    sides = [sorted(touched[slot]) for row in rows for slot in row[2:]]
    parts.lanes[layout.BRIDGE_FREE] = ~parts.pack(sides)


def _wires(parts: _Parts, made: Compiled, pins: Sequence[Pin], lanes: Sequence[Lane]) -> int:
    """Which lines reach which pins, lane by lane; gives how many inputs there are."""
    on, held = _connections(parts, {pin.bit for pin in pins}, lanes)
    shorts = _lanes_with(lane.shorts for lane in lanes)
    parts.numbers[layout.SHORTS] = len(shorts)
    parts.tables[layout.SHORT] = [(short.a, short.b) for short in shorts]
    parts.lanes[layout.SHORT_MASK] = parts.pack(list(shorts.values()))
    parts.lanes[layout.SHORT_OR] = parts.constant([s.kind is Kind.OR for s in shorts])
    shorted = {line for short in shorts for line in (short.a, short.b)}
    varying = {line for lane in lanes for line in _overridden(lane)}
    _outputs(parts, made, pins, on, shorted | varying)
    inputs, always, terms = _inputs(parts, made, pins, on, held)
    parts.tables[layout.INPUT] = inputs
    parts.lanes[layout.ALWAYS] = parts.pack(always)
    parts.tables[layout.INPUT_AT] = np.cumsum([0, *(len(term) for term in terms)])
    parts.tables[layout.INPUT_LINE] = [line for term in terms for line, _ in term]
    parts.lanes[layout.INPUT_MASK] = parts.pack([lanes for term in terms for _, lanes in term])
    pairs = sorted({(line, index) for index, term in enumerate(terms) for line, _ in term})
    counts = np.bincount([line for line, _ in pairs], minlength=LINES)
    parts.tables[layout.FED_AT] = np.cumsum([0, *counts])
    parts.tables[layout.FED] = [index for _, index in pairs]
    parts.numbers[layout.FEEDING] = _bits({*shorted, *(line for line, _ in pairs)})
    return len(inputs)


def _connections(parts: _Parts, bits: set[int], lanes: Sequence[Lane]) -> tuple[_Masks, _Masks]:
    """Lanes in which a pin is on a line, and in which it is held at a level."""
    on: _Masks = defaultdict(lambda: np.zeros(64 * parts.wide, dtype=np.bool_))
    held = on.copy()
    for bit in bits:
        on[bit, bit][: len(lanes)] = True
    for number, lane in enumerate(lanes):
        moved, stuck = dict(lane.wires), dict(lane.lines)
        for bit in bits & {*moved, *stuck}:
            on[bit, bit][number] = False
            line = moved.get(bit, bit)
            if line in stuck:
                held[bit, stuck[line]][number] = True
            elif line is not None:
                on[bit, line][number] = True
    return {wire: mask for wire, mask in on.items() if mask.any()}, held


def _overridden(lane: Lane) -> Iterable[int]:
    """Lines on which something else is read than what the chip drives."""
    yield from (force.at for force in lane.outputs)
    yield from (line for line, _ in lane.lines)


def _bits(lines: Iterable[int]) -> int:
    return sum(1 << line for line in lines)


def _outputs(
    parts: _Parts,
    made: Compiled,
    pins: Sequence[Pin],
    on: _Masks,
    others: set[int],
) -> None:
    """What is read on lines; ``others`` are lines on which something may be besides outputs."""
    rows, masks, at = [], [], [0] * (LINES + 1)
    speaking: dict[int, list[tuple[int, ...]]] = defaultdict(list)
    for pin in pins:
        if pin.direction is not PortDirection.INPUT:
            speaking[pin.bit].append(_output(made, pin))
    for bit, line in sorted(on, key=lambda wire: wire[1]):
        for row in speaking[bit]:
            rows.append(row)
            masks.append(on[bit, line])
            at[line + 1] += 1
    parts.tables[layout.OUTPUT] = rows
    parts.tables[layout.OUTPUT_AT] = np.cumsum(at)
    parts.lanes[layout.OUTPUT_MASK] = parts.pack(masks)
    spoken = {line for line in range(LINES) if at[line + 1]}
    parts.numbers[layout.SPEAKING] = _bits(spoken | others)
    program, slots = made.program, np.array([s for row in rows for s in row if s >= 0], dtype=int)
    behind = blocks_behind(program.operations, program.first, slots)
    parts.numbers[layout.SHOWN] = behind if program.plain else EVERYTHING


def _inputs(
    parts: _Parts,
    made: Compiled,
    pins: Sequence[Pin],
    on: _Masks,
    held: _Masks,
) -> tuple[list[tuple[int, int, int, int, int]], list[_Mask], list[_Term]]:
    """Rows of ``Wires.input_slots``, with the lanes in which each is held at 1, and its lines."""
    rows: list[tuple[int, int, int, int, int]] = []
    always: list[_Mask] = []
    terms: list[_Term] = []
    program = made.program
    controls = {int(slot) for slot in program.groups[:, [3, 4, 6, 7, 9, 10]].reshape(-1)}
    for pin in pins:
        tri = made.netlist.tristates.get(pin.net)
        lines = [(line, lanes) for (bit, line), lanes in on.items() if bit == pin.bit]
        if pin.direction is PortDirection.OUTPUT or (
            tri is None and pin.direction is PortDirection.INOUT
        ):
            continue
        nets = [(tri.outside, 0), (tri.outside_enable, 1)] if tri else [(pin.net, 0)]
        for net, enables in nets:
            slot = int(made.own[0, net])
            zero = int(made.own[1, net]) if made.values == 3 else -1
            at_once = int(not program.plain or slot in controls or zero in controls)
            direct = int([lanes.sum() for _, lanes in lines] == [parts.count])
            rows.append((slot, zero, enables, at_once, direct))
            one, none = held[pin.bit, 1], held[pin.bit, 0]
            always.append(one | none if enables else one)
            terms.append(lines)
    return rows, always, terms


def _output(made: Compiled, pin: Pin) -> tuple[int, ...]:
    tri = made.netlist.tristates.get(pin.net)
    enable, level = (tri.enable, tri.level) if tri else (HIGH, pin.net)
    slots = np.full((2, 2), -1)
    slots[:, : made.values - 1] = made.seen[:, [pin.net, enable]].T
    return *slots.reshape(-1).tolist(), int(made.seen[0, level])

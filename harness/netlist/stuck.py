"""Single stuck-at faults of a netlist: where they can be, and as patches of its program.

The one rule: fan-out branches are sites of their own. Outputs of the netlist and data of flops
are readers like gates; one with other readers beside it gets its own branch. Nothing is collapsed
across flops, and clocks are no sites. Sites are the nets and pins of the file's cells: the gates
that stand for one wide gate, multiplexer or pad are one cell, and what is between them is no site.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.netlist.circuit import Circuit
from harness.netlist.lanes import Force, Lane
from harness.netlist.model import HIGH, Kind, Netlist, PortDirection
from harness.netlist.program import Compiled

Readers = tuple[tuple[int, int], ...]
"""Gates, and a pin of each."""

BRANCH = "$b"
"""How the nets begin that :func:`with_branches` adds; outside of names from a file."""


@dataclass(frozen=True)
class StuckAt:
    """A net holds a level for all its readers, or (``readers``: gate and pin) for these alone."""

    net: int
    level: int
    readers: Readers = ()


def with_branches(netlist: Netlist) -> Netlist:
    """Put a buffer before each output and flop that reads a net with other readers."""
    circuit = Circuit.of(netlist)
    counts: dict[int, int] = defaultdict(int)
    for gate in circuit.gates:
        for net in {gate.a, gate.b}:
            counts[net] += 1
    for flop in circuit.flops:
        counts[flop.data] += 1
    for port in circuit.ports:
        if port.direction is PortDirection.OUTPUT:
            for net in port.nets:
                counts[net] += 1

    def own(net: int) -> int:
        if net <= HIGH or counts[net] < 2:
            return net
        branch = circuit.net(f"{BRANCH}{len(circuit.names)}")
        return circuit.gate(Kind.AND, net, net, branch)

    circuit.flops = [flop._replace(data=own(flop.data)) for flop in circuit.flops]
    circuit.ports = [
        replace(port, nets=tuple(own(net) for net in port.nets))
        if port.direction is PortDirection.OUTPUT
        else port
        for port in circuit.ports
    ]
    return circuit.levelise()


def stuck_lanes(netlist: Netlist, faults: Sequence[StuckAt]) -> tuple[Netlist, list[Lane]]:
    """Give each branch that a fault is at a net of its own; the netlist, and a lane for each fault.

    Nets keep their numbers.
    """
    circuit = Circuit.of(netlist)
    own: dict[Readers, int] = {}
    for fault in faults:
        if not fault.readers or fault.readers in own:
            continue
        branch = circuit.net(f"{BRANCH}{len(circuit.names)}")
        own[fault.readers] = circuit.gate(Kind.AND, fault.net, fault.net, branch)
        for gate, pin in fault.readers:
            field = ("a", "b")[pin]
            circuit.gates[gate] = circuit.gates[gate]._replace(**{field: branch})
    forces = (Force(own[f.readers] if f.readers else f.net, f.level) for f in faults)
    return circuit.levelise(), [Lane(nets=(force,)) for force in forces]


def stuck_faults(netlist: Netlist) -> list[StuckAt]:
    """Every fault of a netlist (see :func:`with_branches`), at 0 and at 1."""
    readers = _readers(netlist)
    clocks = {int(net) for net in netlist.tables.groups[:, 2]} | {0, HIGH}
    sites: list[tuple[int, Readers]] = []
    for net in [*_inputs(netlist), *netlist.gate_by_output]:
        if net in clocks or _inner(netlist, net):
            continue
        sites.append((net, ()))
        if len(readers[net]) > 1:
            sites += [(net, pins) for pins in readers[net]]
    return [StuckAt(net, level, pins) for net, pins in sites for level in (0, 1)]


def _readers(netlist: Netlist) -> dict[int, list[Readers]]:
    """For each net the pins of each cell that reads it."""
    cell = cells(netlist)
    found: dict[int, dict[int, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
    for gate, (_, a, b, _) in enumerate(netlist.tables.gates.tolist()):
        found[a][cell[gate]].append((gate, 0))
        found[b][cell[gate]].append((gate, 1))
    return defaultdict(list, {net: [*map(tuple, by.values())] for net, by in found.items()})


def cells(netlist: Netlist) -> list[int]:
    """For each gate the first one of its cell: gates are of one if a net without a name joins."""
    first = list(range(netlist.gate_count))

    def root(gate: int) -> int:
        while first[gate] != gate:
            gate = first[gate]
        return gate

    drivers = netlist.gate_by_output
    joined = [
        (net, gate)
        for gate, (_, a, b, _) in enumerate(netlist.tables.gates.tolist())
        for net in (a, b)
        if _inner(netlist, net)
    ]
    joined += [(tri.enable, drivers[pad]) for pad, tri in netlist.tristates.items()]
    for net, gate in joined:
        if net in drivers:
            one, other = root(drivers[net]), root(gate)
            first[max(one, other)] = min(one, other)
    return [root(gate) for gate in range(netlist.gate_count)]


def _inner(netlist: Netlist, net: int) -> bool:
    return netlist.names[net].startswith("$h")  # as ``Circuit.net`` calls what has no name


def _inputs(netlist: Netlist) -> list[int]:
    ports = [port for port in netlist.ports if port.direction is PortDirection.INPUT]
    return [*(net for port in ports for net in port.nets), *netlist.tables.q.tolist()]


def representatives(netlist: Netlist, faults: Sequence[StuckAt]) -> NDArray[np.int64]:
    """For each fault the index of one that no output can tell from it, by the gate that it is at.

    At the only reader of a net, a level that decides the gate's output is the same as that of
    the output. Not across flops, so that equivalence holds in every cycle.
    """
    place = {(f.net, f.readers, f.level): index for index, f in enumerate(faults)}
    readers = _readers(netlist)
    watched = _watched(netlist)
    like: dict[tuple[int, Readers, int], int] = dict(place)
    # Gates come after those they read, so from the last on, an output's own class is known.
    for gate, (kind, a, b, out) in reversed(list(enumerate(netlist.tables.gates.tolist()))):
        if kind >= Kind.XOR:
            continue
        inner, outer = kind >> 1 & 1, kind & 1
        shown = {0: inner ^ outer, 1: inner ^ outer ^ 1} if a == b else {inner: outer}
        for net, pins in (
            [(a, ((gate, 0), (gate, 1)))] if a == b else [(a, ((gate, 0),)), (b, ((gate, 1),))]
        ):
            single = len(readers[net]) == 1 and readers[net][0] == pins and net not in watched
            for level, level_out in shown.items():
                same = like.get((out, (), level_out))
                if same is not None:
                    like[net, () if single else pins, level] = same
    return np.array([like[f.net, f.readers, f.level] for f in faults], dtype=np.int64)


def _watched(netlist: Netlist) -> set[int]:
    """Nets that something reads besides gates."""
    shown = {n for p in netlist.ports if p.direction is not PortDirection.INPUT for n in p.nets}
    controls = netlist.tables.groups[:, [2, 5, 7]].reshape(-1).tolist()
    return {*shown, *netlist.tables.data.tolist(), *controls}


@dataclass(frozen=True, eq=False)
class FaultPatches:
    """Faults as patches, those of fault ``k`` from ``first[k]``: operation, pin, level."""

    first: NDArray[np.int64]
    operation: NDArray[np.int64]
    pin: NDArray[np.int64]
    level: NDArray[np.bool_]


def fault_patches(made: Compiled, faults: Sequence[StuckAt]) -> FaultPatches:
    """Find what each fault forces in a program, which is prepared for the nets of all faults."""
    rows: list[tuple[int, int, int]] = []
    first = [0]
    for fault in faults:
        if fault.readers:
            places = [p for gate, pin in fault.readers for p in made.places(gate, pin)]
        else:
            places = list(made.net_places(fault.net))
        rows += [(place.operation, place.pin, fault.level ^ place.rail) for place in places]
        first.append(len(rows))
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return FaultPatches(
        np.array(first, dtype=np.int64), table[:, 0], table[:, 1], table[:, 2].astype(np.bool_)
    )

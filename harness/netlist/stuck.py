"""Single stuck-at faults of a netlist: where they can be, and as patches of its program.

The one rule: fan-out branches are sites of their own. Outputs of the netlist and data of flops
are readers like gates; one with other readers beside it gets its own branch. Nothing is collapsed
across flops, and clocks are no sites.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.netlist.circuit import Circuit
from harness.netlist.model import HIGH, Kind, Netlist, PortDirection
from harness.netlist.program import Compiled


@dataclass(frozen=True)
class StuckAt:
    """A net holds a level for all its readers, or (``readers``: gate and pin) for these alone."""

    net: int
    level: int
    readers: tuple[tuple[int, int], ...] = ()


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
        return circuit.gate(Kind.AND, net, net) if net > HIGH and counts[net] > 1 else net

    circuit.flops = [flop._replace(data=own(flop.data)) for flop in circuit.flops]
    circuit.ports = [
        replace(port, nets=tuple(own(net) for net in port.nets))
        if port.direction is PortDirection.OUTPUT
        else port
        for port in circuit.ports
    ]
    return circuit.levelise()


def stuck_faults(netlist: Netlist) -> list[StuckAt]:
    """Every fault of a netlist (see :func:`with_branches`), at 0 and at 1."""
    readers: dict[int, dict[int, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
    for gate, (_, a, b, _) in enumerate(netlist.tables.gates.tolist()):
        readers[a][gate].append((gate, 0))
        readers[b][gate].append((gate, 1))
    groups = netlist.tables.groups
    clocks = {int(net) for net in groups[:, 2]} | {0, HIGH}
    sites: list[tuple[int, tuple[tuple[int, int], ...]]] = []
    for net in [*_inputs(netlist), *netlist.gate_by_output]:
        if net in clocks:
            continue
        sites.append((net, ()))
        if len(readers[net]) > 1:
            sites += [(net, tuple(pins)) for pins in readers[net].values()]
    return [StuckAt(net, level, pins) for net, pins in sites for level in (0, 1)]


def _inputs(netlist: Netlist) -> list[int]:
    ports = [port for port in netlist.ports if port.direction is PortDirection.INPUT]
    return [*(net for port in ports for net in port.nets), *netlist.tables.q.tolist()]


def representatives(netlist: Netlist, faults: Sequence[StuckAt]) -> NDArray[np.int64]:
    """For each fault the index of one that no output can tell from it, by the gate that it is at.

    At the only reader of a net, a level that decides the gate's output is the same as that of
    the output. Not across flops, so that equivalence holds in every cycle.
    """
    place = {(f.net, f.readers, f.level): index for index, f in enumerate(faults)}
    alike = np.arange(len(faults))
    reads: dict[int, int] = defaultdict(int)
    for _, a, b, _ in netlist.tables.gates.tolist():
        for net in {a, b}:
            reads[net] += 1
    watched = {n for p in netlist.ports if p.direction is not PortDirection.INPUT for n in p.nets}
    watched |= {
        *netlist.tables.data.tolist(),
        *netlist.tables.groups[:, [2, 5, 7]].reshape(-1).tolist(),
    }
    # Gates come after those they read, so from the last on, an output's own class is known.
    for gate, (kind, a, b, out) in reversed(list(enumerate(netlist.tables.gates.tolist()))):
        if kind >= Kind.XOR:
            continue
        inner, outer = kind >> 1 & 1, kind & 1
        shown = {0: inner ^ outer, 1: inner ^ outer ^ 1} if a == b else {inner: outer}
        for net, pins in [(a, (0, 1))] if a == b else [(a, (0,)), (b, (1,))]:
            single = reads[net] == 1 and net not in watched
            readers = () if single else tuple((gate, pin) for pin in pins)
            for level, level_out in shown.items():
                own = place.get((net, readers, level))
                same = place.get((out, (), level_out))
                if own is not None and same is not None:
                    alike[own] = alike[same]
    return alike


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

"""A netlist while it is built: plain lists, and :meth:`Circuit.levelise` at the end.

The one rule: every net has exactly one driver, and no gate waits for itself; a circuit that
breaks it is refused with the names of the nets.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from harness.errors import NetlistError
from harness.grouping import grouped
from harness.netlist.model import (
    HIGH,
    LOW,
    Flop,
    Kind,
    Netlist,
    Port,
    PortDirection,
    Tables,
    TriState,
)


class Gate(NamedTuple):
    """A two-input gate: kind and nets."""

    kind: int
    a: int
    b: int
    out: int


@dataclass
class Circuit:
    """A netlist under construction. ``where`` names file and module, for messages.

    ``declared``: see ``Netlist.sources``. ``keys``: what a file calls nets, see :meth:`known`.
    """

    name: str
    where: str
    names: list[str] = field(default_factory=lambda: ["$low", "$high"])
    aliases: dict[str, int] = field(default_factory=dict)
    gates: list[Gate] = field(default_factory=list)
    flops: list[Flop] = field(default_factory=list)
    ports: list[Port] = field(default_factory=list)
    tristates: dict[int, TriState] = field(default_factory=dict)
    declared: dict[str, str] = field(default_factory=dict)
    keys: dict[int | str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, netlist: Netlist) -> Circuit:
        """Open a finished netlist for changes."""
        tables = netlist.tables
        flops = [
            Flop(q, data, *row[2:])
            for row in tables.groups.tolist()
            for q, data in zip(
                tables.q[row[0] : row[1]].tolist(),
                tables.data[row[0] : row[1]].tolist(),
                strict=True,
            )
        ]
        return cls(
            netlist.name,
            netlist.where,
            list(netlist.names),
            dict(netlist.nets_by_name),
            [Gate(*row) for row in tables.gates.tolist()],
            flops,
            list(netlist.ports),
            dict(netlist.tristates),
            dict(netlist.sources),
        )

    def net(self, name: str = "") -> int:
        """Add a net. Without a name it is called ``$`` and its number."""
        number = len(self.names)
        self.names.append(name or f"$h{number}")
        return number

    def known(self, key: int | str, name: str) -> int:
        """Find the net that a file calls ``key``; it is added, with this name, when it is new."""
        if key not in self.keys:
            self.keys[key] = self.net(name)
        return self.keys[key]

    def gate(self, kind: Kind, a: int, b: int, out: int | None = None) -> int:
        """Add a gate; gives its output net, a new one unless ``out`` is given."""
        target = self.net() if out is None else out
        self.gates.append(Gate(int(kind), a, b, target))
        return target

    def choose(self, select: int, low: int, high: int, out: int | None = None) -> int:
        """Add the gates of a multiplexer: ``high`` while ``select`` is 1, else ``low``."""
        inverted = self.gate(Kind.NAND, select, select)
        first = self.gate(Kind.NAND, select, high)
        second = self.gate(Kind.NAND, inverted, low)
        return self.gate(Kind.NAND, first, second, out)

    def wide(self, kind: Kind, inputs: Sequence[int], out: int) -> None:
        """Add a gate with any number of inputs as a chain that ends in ``kind``."""
        if len(inputs) == 1:
            self.gate(Kind.NAND if kind in _INVERTING else Kind.AND, inputs[0], inputs[0], out)
            return
        chain = inputs[0]
        for net in inputs[1:-1]:
            chain = self.gate(_INVERTING.get(kind, kind), chain, net)
        self.gate(kind, chain, inputs[-1], out)

    def tristate(self, net: int, drivers: Iterable[tuple[int, int]]) -> None:
        """Make ``net`` one that can float; ``drivers`` are pairs of data and enable nets."""
        outside, outside_enable = self.net(), self.net()
        level, enable = LOW, LOW
        for data, gate in drivers:
            level = self.gate(Kind.OR, level, self.gate(Kind.AND, data, gate))
            enable = self.gate(Kind.OR, enable, gate)
        self.choose(outside_enable, level, outside, net)
        self.tristates[net] = TriState(level, enable, outside, outside_enable)

    def pads(self, buffers: Mapping[int, Sequence[tuple[int, int]]]) -> None:
        """Complete the nets that can float; ``buffers`` has their pairs of data and enable nets.

        A bidirectional port without a buffer whose net has a driver is always driven: its pin gets
        a net of its own (``io.pad[2]``), which that driver reaches while nothing outside drives.
        """
        driven = {*self.sources(), *(gate.out for gate in self.gates)} - buffers.keys()
        floating = dict(buffers)
        for place, port in enumerate(self.ports):
            if port.direction is PortDirection.INOUT:
                nets = list(port.nets)
                for index, net in enumerate(port.nets):
                    if net in driven:
                        bit = f"[{index}]" if len(nets) > 1 else ""
                        nets[index] = self.net(f"{port.name}.pad{bit}")
                        floating[nets[index]] = ((net, HIGH),)
                    floating.setdefault(nets[index], ())
                self.ports[place] = replace(port, nets=tuple(nets))
        for net, drivers in floating.items():
            self.tristate(net, drivers)

    def levelise(self) -> Netlist:
        """Put the gates in order and freeze the circuit; raises NetlistError (see the rule)."""
        self._check_drivers()
        depth = self._depths()
        gates = sorted(self.gates, key=lambda gate: (depth[gate.out], gate.kind))
        table = np.array(gates, dtype=np.uint32).reshape(-1, 4)
        reader = np.full(len(self.names), len(gates), dtype=np.uint32)
        for column in (1, 2):
            np.minimum.at(reader, table[:, column], np.arange(len(gates), dtype=np.uint32))
        groups, flops = _grouped(self.flops)
        tables = Tables(
            table,
            np.array(groups, dtype=np.uint32).reshape(-1, 9),
            np.array([flop.q for flop in flops], dtype=np.uint32),
            np.array([flop.data for flop in flops], dtype=np.uint32),
            reader,
        )
        names = {name: net for net, name in enumerate(self.names) if net > HIGH} | self.aliases
        return Netlist(
            self.name,
            self.where,
            tuple(self.ports),
            tuple(self.names),
            names,
            tables,
            dict(self.tristates),
            max(depth.values(), default=0),
            dict(self.declared),
        )

    def sources(self) -> list[int]:
        """Nets that no gate drives but something else does."""
        inputs = [n for p in self.ports if p.direction is PortDirection.INPUT for n in p.nets]
        outside = [
            net for tri in self.tristates.values() for net in (tri.outside, tri.outside_enable)
        ]
        return [LOW, HIGH, *inputs, *dict.fromkeys(outside), *(flop.q for flop in self.flops)]

    def _check_drivers(self) -> None:
        """Refuse nets with two drivers, and nets that are read and have none."""
        drivers = [*self.sources(), *(gate.out for gate in self.gates)]
        counts = np.bincount(drivers, minlength=len(self.names))
        doubled = np.flatnonzero(counts > 1)
        if len(doubled):
            raise NetlistError(f"{self.where}: more than one driver on {self._list(doubled)}")
        read = {net for gate in self.gates for net in (gate.a, gate.b)}
        read |= {
            net for flop in self.flops for net in (flop.data, flop.clock, flop.set_, flop.clear)
        }
        read |= {net for port in self.ports for net in port.nets}
        undriven = sorted(net for net in read if not counts[net])
        if undriven:
            raise NetlistError(f"{self.where}: nothing drives {self._list(undriven)}")

    def _depths(self) -> dict[int, int]:
        """Longest chain of gates before each gate's output net, from 1."""
        readers: dict[int, list[Gate]] = defaultdict(list)
        waiting: dict[int, int] = {}
        for gate in self.gates:
            for net in {gate.a, gate.b}:
                readers[net].append(gate)
            waiting[gate.out] = len({gate.a, gate.b})
        depth = dict.fromkeys(self.sources(), 0)
        ready = list(depth)
        for net in ready:  # grows while it is walked
            for gate in readers[net]:
                waiting[gate.out] -= 1
                if not waiting[gate.out]:
                    depth[gate.out] = 1 + max(depth[gate.a], depth[gate.b])
                    ready.append(gate.out)
        if len(ready) < len(waiting) + len(set(self.sources())):
            stuck = {gate.out: gate for gate in self.gates if gate.out not in depth}
            loop = _loop(stuck)
            raise NetlistError(f"{self.where}: a loop of gates without a flop: {self._list(loop)}")
        return depth

    def _list(self, nets: Iterable[int]) -> str:
        """Name nets for a message, at most eight, those that the author named first."""
        names = sorted((self.names[net] for net in nets), key=lambda name: name.startswith("$"))
        return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


_INVERTING = {Kind.NAND: Kind.AND, Kind.NOR: Kind.OR, Kind.XNOR: Kind.XOR}


def _grouped(flops: Sequence[Flop]) -> tuple[list[tuple[int, ...]], list[Flop]]:
    """Sort flops so that those of a group stand together; rows of ``Tables.groups``, flops."""
    rows: list[tuple[int, ...]] = []
    ordered: list[Flop] = []
    for group, members in grouped((flop.group, flop) for flop in flops).items():
        rows.append((len(ordered), len(ordered) + len(members), *group))
        ordered += members
    return rows, ordered


def _loop(stuck: Mapping[int, Gate]) -> list[int]:
    """Walk back through gates that wait for each other until a net comes round again."""
    net = next(iter(stuck))
    path: list[int] = []
    while net not in path:
        path.append(net)
        gate = stuck[net]
        net = gate.a if gate.a in stuck else gate.b
    return path[path.index(net) :]

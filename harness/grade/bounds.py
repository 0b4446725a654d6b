"""Where a net is, in words of the source: the registers and ports that bound its logic.

The one rule: synthesis keeps a name and a line for hardly any gate; registers and ports keep
theirs. So a gate is told by what it lies between.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import lru_cache

from harness.netlist import Netlist, PortDirection
from harness.records import Bound

UNNAMED = "a register without a name"
MODULE = "."


def base(name: str) -> str:
    """Give the name of a signal for that of one of its bits: ``crc[3]`` is of ``crc``."""
    return name.partition("[")[0]


def module_of(name: str) -> str:
    """Give the path of the instance that a flattened name is in; empty for the top module."""
    return name.rpartition(MODULE)[0]


class Bounds:
    """The logic of a netlist between its registers and ports."""

    def __init__(self, netlist: Netlist) -> None:
        self._netlist = netlist
        tables = netlist.tables
        self._gates = tables.gates.tolist()
        self._readers: dict[int, list[int]] = defaultdict(list)
        for gate, (_, a, b, _) in enumerate(self._gates):
            for net in {a, b}:
                self._readers[net].append(gate)
        self._names: dict[int, str] = {}
        for name, net in sorted(netlist.nets_by_name.items()):
            if not name.startswith("$"):
                self._names.setdefault(net, name)
        self._starts = {net: self.name(net) or UNNAMED for net in tables.q.tolist()}
        self._ends: dict[int, list[str]] = defaultdict(list)
        self._flops()
        self._ports()
        self._back = lru_cache(maxsize=None)(self._sources)
        self._on = lru_cache(maxsize=None)(self._sinks)

    def _flops(self) -> None:
        tables = self._netlist.tables
        for first, last, *control in tables.groups.tolist():
            for q, data in zip(
                tables.q[first:last].tolist(), tables.data[first:last].tolist(), strict=True
            ):
                for net in (data, control[0], control[3], control[5]):
                    self._ends[net].append(self.name(q) or UNNAMED)

    def _ports(self) -> None:
        for port in self._netlist.ports:
            for net in port.nets:
                if port.direction is not PortDirection.OUTPUT:
                    self._starts[net] = port.name
                if port.direction is not PortDirection.INPUT:
                    self._ends[net].append(port.name)

    def name(self, net: int) -> str:
        """Give the name of a net in the source, the first in the alphabet; empty if it has none."""
        return self._names.get(net, "")

    def sources(self, net: int) -> tuple[Bound, ...]:
        """Registers and inputs that a net comes from, itself if it is one."""
        return self._bounds(self._back(net))

    def sinks(self, nets: Iterable[int]) -> tuple[Bound, ...]:
        """Registers and outputs that some nets go to."""
        return self._bounds(name for net in nets for name in self._on(net))

    def _bounds(self, names: Iterable[str]) -> tuple[Bound, ...]:
        declared = self._netlist.sources
        return tuple(Bound(n, declared.get(n, "")) for n in sorted({base(name) for name in names}))

    def _sources(self, net: int) -> frozenset[str]:
        found, seen, waiting = set(), {net}, [net]
        while waiting:
            one = waiting.pop()
            if one in self._starts:
                found.add(self._starts[one])
                continue
            gate = self._netlist.gate_by_output.get(one)
            inputs = set(self._gates[gate][1:3]) - seen if gate is not None else set()
            seen |= inputs
            waiting += inputs
        return frozenset(found)

    def _sinks(self, net: int) -> frozenset[str]:
        found, seen, waiting = set(), {net}, [net]
        while waiting:
            one = waiting.pop()
            found |= set(self._ends.get(one, ()))
            outs = {self._gates[gate][3] for gate in self._readers[one]} - seen
            seen |= outs
            waiting += outs
        return frozenset(found)

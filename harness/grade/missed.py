"""The faults that no table detects, each with its place in the design.

The one rule: one entry for a class of faults that are alike, at the fault that an author would
look for: the one on a net with a name, if there is one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from harness.grade.bounds import Bounds, module_of
from harness.grade.faults import FaultList, Flags
from harness.netlist import BRANCH, Kind, StuckAt
from harness.records import MissedFault, WaiverRecord


class Namer:
    """Names faults and finds their places."""

    def __init__(self, faults: FaultList) -> None:
        self._faults, self._netlist = faults, faults.netlist
        self._bounds = Bounds(faults.netlist)
        tables = faults.netlist.tables
        self._flops = dict(zip(tables.data.tolist(), tables.q.tolist(), strict=True))
        self._ports = {
            net: f"{port.name}[{place}]" if len(port.nets) > 1 else port.name
            for port in faults.netlist.ports
            for place, net in enumerate(port.nets)
        }

    def name(self, fault: StuckAt) -> str:
        """``zero stuck at 0``, or ``din at the AND of $41 stuck at 1`` for a branch."""
        net, reader = self._site(fault)
        at = f" at {reader}" if reader else ""
        return f"{self._net(net)}{at} stuck at {fault.level}"

    def missed(self, fault: StuckAt, alike: int, reached: bool) -> MissedFault:
        """Describe a fault that stands for others; nothing is known of it yet."""
        net, _ = self._site(fault)
        gates = self._netlist.tables.gates
        ends = [int(gates[gate, 3]) for gate, _ in fault.readers] or [fault.net]
        sources, sinks = self._bounds.sources(net), self._bounds.sinks(ends)
        name = self._bounds.name(net) or next((bound.name for bound in (*sinks, *sources)), "")
        return MissedFault(
            name=self.name(fault),
            net=self._bounds.name(net),
            level=fault.level,
            module=module_of(name),
            sources=sources,
            sinks=sinks,
            alike=alike,
            reached=reached,
        )

    def _site(self, fault: StuckAt) -> tuple[int, str]:
        """Net as the source has it, and what reads the branch there."""
        gates = self._netlist.tables.gates
        if fault.readers:
            kind, _, _, out = gates[fault.readers[0][0]].tolist()
            return fault.net, f"the {Kind(kind).name} of {self._net(out)}"
        if self._netlist.names[fault.net].startswith(BRANCH):
            stem = int(gates[self._netlist.gate_by_output[fault.net], 1])
            q = self._flops.get(fault.net)
            if q is not None:
                return stem, f"the data of {self._net(q)}"
            return stem, f"output {self._ports[fault.net]}"
        return fault.net, ""

    def _net(self, net: int) -> str:
        return self._bounds.name(net) or self._netlist.names[net]


def missed_faults(
    faults: FaultList,
    found: Flags,
    possible: Flags,
    untestable: Flags,
    levels: Flags,
    waivers: Mapping[str, WaiverRecord],
) -> Iterator[MissedFault]:
    """Describe all classes that are not detected; arrays have an entry for each fault.

    ``levels`` ``(2, nets)``: whether nets are ever 0, and 1. ``waivers`` by the names of faults: of
    any that is alike.
    """
    namer = Namer(faults)
    for index in faults.classes[~found[faults.classes]].tolist():
        alike = [faults.faults[k] for k in faults.of_class(index).tolist()]
        named = sorted(alike, key=lambda f: (namer.name(f).startswith("$"), bool(f.readers)))
        chosen = named[0]
        waived_as = next((n for f in named if (n := namer.name(f)) in waivers), "")
        made = namer.missed(chosen, len(alike), bool(levels[1 - chosen.level, chosen.net]))
        yield replace(
            made,
            possible=bool(possible[index]),
            untestable=bool(untestable[index]),
            waiver=waivers.get(waived_as),
            waived_as=waived_as,
        )

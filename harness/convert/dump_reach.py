"""Which outputs answer to an input without a pulse of the clock: from gates, or from the dump.

One rule: what is not known counts as answering, so that an output is tested only where its value
is certain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.convert.choices import Edge
from harness.netlist import Netlist, Pin
from harness.shuttle import Direction, Shuttle

ALL_PINS = (1 << 32) - 1


@dataclass(frozen=True)
class Reach:
    """Outputs, as a mask, that may change when an input does, by the input's bit.

    ``edges`` are those of the clock that the netlist's flops use; none if that is not known.
    """

    outputs: Mapping[int, int]
    edges: frozenset[Edge] = field(default_factory=frozenset)

    def of(self, inputs: int) -> int:
        """Outputs that any of these inputs (a mask) may change."""
        mask = 0
        for bit in range(32):
            if inputs >> bit & 1:
                mask |= self.outputs.get(bit, ALL_PINS)
        return mask


def reach_in(netlist: Netlist, pins: Sequence[Pin], shuttle: Shuttle) -> Reach:
    """Follow the gates from every input; a flop passes on its set, its clear and a made clock."""
    clock_mask = shuttle.mask(Direction.CLOCK)
    sources: dict[int, int] = {}
    clocks = {pin.net for pin in pins if clock_mask >> pin.bit & 1}
    for pin in pins:
        if pin.net not in clocks:
            sources[pin.net] = sources.get(pin.net, 0) | 1 << pin.bit
    met = _spread(netlist, sources)
    outputs: dict[int, int] = {pin.bit: 0 for pin in pins}
    for pin in pins:
        for bit in outputs:
            if met[pin.net] >> bit & 1:
                outputs[bit] |= 1 << pin.bit
    edges = {
        Edge.FALLING if group[3] else Edge.RISING
        for group in netlist.tables.groups.tolist()
        if group[2] in clocks and not group[4]
    }
    return Reach(outputs, frozenset(edges))


def _spread(netlist: Netlist, sources: Mapping[int, int]) -> list[int]:
    """Return for each net the inputs, as a mask, that reach it without the clock."""
    met = [0] * netlist.net_count
    for net, mask in sources.items():
        met[net] = mask
    tables = netlist.tables
    gates, groups = tables.gates.tolist(), tables.groups.tolist()
    q, data = tables.q.tolist(), tables.data.tolist()
    while True:
        before = list(met)
        for net, tri in netlist.tristates.items():
            met[net] |= met[tri.level] | met[tri.enable]
        for _, a, b, out in gates:
            met[out] |= met[a] | met[b]
        for first, stop, clock, _, latch, set_, _, clear, _ in groups:
            control = met[clock] | met[set_] | met[clear]
            for flop in range(first, stop):
                met[q[flop]] |= control | (met[data[flop]] if latch else 0)
        if met == before:
            return met

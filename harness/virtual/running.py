"""One design inside a virtual chip: its netlist with defects, wired to pins, and its state.

The one rule: a defect changes the netlist or forces a net of it; the kernel knows no defects
beyond that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.errors import NetlistError, VirtualError
from harness.netlist import (
    ALL,
    HIGH,
    SETTLED,
    Circuit,
    Extent,
    Faults,
    Kind,
    Lanes,
    Memory,
    Netlist,
    Patches,
    PinMap,
    Port,
    PortDirection,
    Stimulus,
    connect,
    load_netlist,
    nearest,
    new_memory,
    no_patches,
    prime,
    run_cycles,
    settle,
)
from harness.shuttle import Bus, Design, Direction
from harness.table import Words
from harness.virtual.faults import ChipDefect, NetBridge, NetStuck, OutputStuck, SlowPath
from harness.virtual.wiring import Wiring

DesignDefect = NetStuck | NetBridge | SlowPath
_INPUTS = (Direction.INPUT, Direction.CLOCK, Direction.RESET)
_ENDLESS = 1 << 62


@dataclass
class RunningDesign:
    """A design that can be run; keeps its flops from one run to the next.

    ``tolerated``: in how many cycles a net may stay unstable before the run is given up. A
    healthy design must always settle; a defect may well make one that never does.
    """

    where: str
    names: Sequence[str]
    netlist: Netlist
    memory: Memory
    patches: Patches
    pins: PinMap
    faults: Faults
    tolerated: int = 0
    powered: bool = False

    def power_up(self, drive: int, enable: int) -> None:
        """Show what the flops hold at power-up with these levels on the pins, without an edge.

        A set or clear that is active takes effect: it needs no edge.
        """
        levels, driven = np.uint64(drive & enable), np.uint64(enable)
        connect(self.memory.values, self.netlist.tables, self.pins, levels, driven)
        prime(self.memory, self.netlist.tables, self.patches)
        settle(self.memory, self.netlist.tables, self.patches, 0)
        self.powered = True

    def run(
        self, stimulus: Stimulus, extent: Extent, seen: Words, floating: Words
    ) -> tuple[int, bool]:
        """Run cycles: how many were run, and whether the extent's condition was met.

        Raises VirtualError when a net of a design without defects never becomes stable.
        """
        if not self.powered:
            self.power_up(int(stimulus.drive[0]), int(stimulus.enable[0]))
        used, matched, restless = run_cycles(
            self.memory,
            self.netlist.tables,
            self.patches,
            self.pins,
            self.faults,
            stimulus,
            extent._replace(tolerated=self.tolerated),
            seen,
            floating,
        )
        if restless != SETTLED and not self.tolerated:
            name = self.netlist.names[restless]
            message = f"{self.where}: net {name} never becomes stable in cycle {used} of the burst"
            raise VirtualError(message)
        return used, matched


def start_design(
    design: Design, wiring: Wiring, defects: Sequence[ChipDefect], seed: int
) -> RunningDesign:
    """Load a design with its own and the chip's defects; flops start pseudo-random by ``seed``.

    Raises VirtualError for a net that the netlist lacks (naming the nearest) and for signals
    that do not fit the netlist's ports.
    """
    try:
        healthy = _load(design)
        own = [d for d in defects if not isinstance(d, OutputStuck) and d.design == design.name]
        netlist, raw = _with_defects(healthy, own)
        pins = _pin_map(netlist, design, wiring)
    except NetlistError as error:
        message = f"design {design.name}: {error}"
        raise VirtualError(message) from error
    memory = new_memory(netlist)
    bits = np.random.default_rng(seed).integers(0, 2, len(memory.state), dtype=np.uint64)
    memory.state[:] = bits * ALL
    forced = [d for d in own if not isinstance(d, NetBridge)]
    patches, faults = _forcing(netlist, forced, raw, defects, wiring)
    tolerated = _ENDLESS if own else 0
    where = netlist.where
    return RunningDesign(where, netlist.names, netlist, memory, patches, pins, faults, tolerated)


def start_nothing(wiring: Wiring, defects: Sequence[ChipDefect]) -> RunningDesign:
    """Stand in for an address without a design: no gates, and no output driven."""
    netlist = Circuit("nothing", "no design").levelise()
    patches, faults = _forcing(netlist, [], [], defects, wiring)
    memory = new_memory(netlist)
    return RunningDesign("no design", (), netlist, memory, patches, _pins([], [], []), faults)


def _load(design: Design) -> Netlist:
    if design.netlist is None:
        message = "it has no netlist, so a virtual chip cannot run it; add netlist to design.toml"
        raise NetlistError(message)
    return load_netlist(design.netlist, design.top)


def _with_defects(healthy: Netlist, defects: Sequence[DesignDefect]) -> tuple[Netlist, list[int]]:
    """Build bridges in, and a buffer before each net that is forced; gives the buffers' inputs."""
    circuit = Circuit.of(healthy)
    for defect in defects:
        if isinstance(defect, NetBridge):
            kind = Kind.AND if defect.wired_and else Kind.OR
            circuit.bridge(healthy.net(defect.net_a), healthy.net(defect.net_b), kind)
    raw = [circuit.isolate(healthy.net(d.net)) for d in defects if not isinstance(d, NetBridge)]
    return (circuit.levelise() if defects else healthy), raw


def _forcing(
    netlist: Netlist,
    forced: Sequence[NetStuck | SlowPath],
    raw: Sequence[int],
    defects: Sequence[ChipDefect],
    wiring: Wiring,
) -> tuple[Patches, Faults]:
    """Arrays for the kernel: forced nets sorted by their gate, and stuck pins."""
    gates = netlist.gate_by_output
    nets = [netlist.net(defect.net) for defect in forced]
    order = sorted(range(len(forced)), key=lambda index: gates[nets[index]])
    stuck = [d for d in defects if isinstance(d, OutputStuck)]
    pins = [(bit, d) for d in stuck if (bit := wiring.bit(d.pin)) is not None]
    limits = [d.limit_hz if isinstance(d, SlowPath) else math.nan for d in forced]
    chances = [d.probability if isinstance(d, NetStuck) else 0.0 for d in forced]
    levels = [d.level if isinstance(d, NetStuck) else 0 for d in forced]
    seeds = [d.seed if isinstance(d, NetStuck) else 0 for d in forced]
    patches = Patches(
        np.array([gates[nets[i]] for i in order], dtype=np.int64),
        _indices(nets[i] for i in order),
        np.zeros(len(forced), dtype=np.uint64),
        _lanes(int(ALL) if levels[i] else 0 for i in order),
    )
    faults = Faults(
        _indices(raw[i] for i in order),
        np.array([limits[i] for i in order], dtype=np.float64),
        _lanes(_threshold(chances[i]) for i in order),
        _lanes(seeds[i] for i in order),
        _indices(bit for bit, _ in pins),
        _lanes(int(ALL) if d.level else 0 for _, d in pins),
        _lanes(_threshold(d.probability) for _, d in pins),
        _lanes(d.seed for _, d in pins),
    )
    return (patches if forced else no_patches()), faults


def _threshold(probability: float) -> int:
    """Give the largest hash at which something with this probability happens."""
    return min(int(probability * 2**64), 2**64 - 1)


def _lanes(values: Iterable[int]) -> Lanes:
    return np.array([value & (2**64 - 1) for value in values], dtype=np.uint64)


def _indices(values: Iterable[int]) -> Words:
    return np.array(list(values), dtype=np.uint32)


def _pin_map(netlist: Netlist, design: Design, wiring: Wiring) -> PinMap:
    """Match the design's signals with the netlist's ports, bit by bit."""
    inputs: list[tuple[int, int]] = []
    enables: list[tuple[int, int]] = []
    outputs: list[tuple[int, int, int]] = []
    for port in netlist.ports:
        signal = _signal_of(port, design)
        if signal is None:
            continue
        for net, pin in zip(port.nets, reversed(signal.pins), strict=True):
            bit = wiring.bit(pin.name)
            tri = netlist.tristates.get(net)
            if bit is None:
                continue
            if port.direction is PortDirection.INPUT:
                inputs.append((bit, net))
                continue
            outputs.append((bit, net, tri.enable if tri else HIGH))
            if tri and port.direction is PortDirection.INOUT:
                inputs.append((bit, tri.outside))
                enables.append((bit, tri.outside_enable))
    _refuse_unknown(netlist, design)
    return _pins(inputs, enables, outputs)


def _pins(
    inputs: list[tuple[int, int]],
    enables: list[tuple[int, int]],
    outputs: list[tuple[int, int, int]],
) -> PinMap:
    """Columns of the three lists as arrays."""
    columns = [*_columns(inputs, 2), *_columns(enables, 2), *_columns(outputs, 3)]
    return PinMap(*columns)


def _columns(rows: Sequence[tuple[int, ...]], width: int) -> list[Words]:
    table = np.array(rows, dtype=np.uint32).reshape(-1, width)
    return [np.ascontiguousarray(table[:, column]) for column in range(width)]


def _signal_of(port: Port, design: Design) -> Bus | None:
    """Find the signal for a port: None for an output that is left open; checks that they fit."""
    signal = design.signals_by_name.get(port.name)
    if signal is None:
        if port.direction is PortDirection.OUTPUT:
            return None
        message = f"input {port.name} of the netlist is no signal in design.toml"
        raise NetlistError(message + nearest(port.name, design.signals_by_name))
    if signal.width != len(port.nets):
        message = f"signal {port.name} has {signal.width} pins, its port {len(port.nets)} bits"
        raise NetlistError(message)
    refused = {PortDirection.INPUT: (Direction.OUTPUT,), PortDirection.OUTPUT: _INPUTS}
    if signal.direction in refused.get(port.direction, ()):
        message = f"signal {port.name} is {signal.direction}, its port is {port.direction}"
        raise NetlistError(message)
    return signal


def _refuse_unknown(netlist: Netlist, design: Design) -> None:
    """Refuse signals for which the netlist has no port."""
    for signal in design.signals:
        netlist.port(signal.name)

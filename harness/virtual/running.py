"""One design inside a virtual chip: its netlist with defects, wired to pins, and its state.

The one rule: a defect changes the netlist or forces a net of it; the kernel knows no defects
beyond that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from harness.errors import NetlistError, VirtualError
from harness.netlist import (
    ALL,
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
    Stimulus,
    connect,
    load_netlist,
    new_memory,
    no_patches,
    prime,
    run_cycles,
    settle,
)
from harness.shuttle import Design
from harness.table import Words
from harness.virtual.faults import ChipDefect, ForcedNet, NetBridge, OutputStuck
from harness.virtual.pin_map import no_pins, pin_map
from harness.virtual.wiring import Wiring

DesignDefect = ForcedNet | NetBridge
_ENDLESS = 1 << 62


@dataclass
class RunningDesign:
    """A design that can be run; keeps its flops from one run to the next.

    ``tolerated``: in how many cycles a net may stay unstable before the run is given up. A
    healthy design must always settle; a defect may well make one that never does. ``trouble``
    says which net did not: what the design does from then on means nothing.
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
    trouble: str = ""

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

        Raises VirtualError when a net of a design without defects never becomes stable, and ever
        after.
        """
        if self.trouble:
            raise VirtualError(self.trouble)
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
            self.trouble = f"{self.where}: net {name} never becomes stable"
            raise VirtualError(f"{self.trouble} in cycle {used} of the burst")
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
        pins = pin_map(netlist, design, wiring)
    except NetlistError as error:
        message = f"design {design.name}: {error}"
        raise VirtualError(message) from error
    memory = new_memory(netlist)
    bits = np.random.default_rng(seed).integers(0, 2, len(memory.state), dtype=np.uint64)
    memory.state[:] = bits * ALL
    forced = [d for d in own if isinstance(d, ForcedNet)]
    patches, faults = _forcing(netlist, forced, raw, defects, wiring)
    tolerated = _ENDLESS if own else 0
    where = f"design {design.name}"
    return RunningDesign(where, netlist.names, netlist, memory, patches, pins, faults, tolerated)


def start_nothing(wiring: Wiring, defects: Sequence[ChipDefect]) -> RunningDesign:
    """Stand in for an address without a design: no gates, and no output driven."""
    netlist = Circuit("nothing", "no design").levelise()
    patches, faults = _forcing(netlist, [], [], defects, wiring)
    memory = new_memory(netlist)
    return RunningDesign("no design", (), netlist, memory, patches, no_pins(), faults)


def _load(design: Design) -> Netlist:
    if design.netlist is None:
        message = "it has no netlist, so a virtual chip cannot run it; add netlist to design.toml"
        raise NetlistError(message)
    return _read(design.netlist, design.top)


@lru_cache(maxsize=256)
def _read(path: Path, top: str) -> Netlist:
    """Read a netlist once: a chip whose power comes back is the chip that it was."""
    return load_netlist(path, top)


def _with_defects(healthy: Netlist, defects: Sequence[DesignDefect]) -> tuple[Netlist, list[int]]:
    """Build bridges in, and a buffer before each net that is forced; gives the buffers' inputs."""
    circuit = Circuit.of(healthy)
    for defect in defects:
        if isinstance(defect, NetBridge):
            kind = Kind.AND if defect.wired == "and" else Kind.OR
            circuit.bridge(healthy.net(defect.net_a), healthy.net(defect.net_b), kind)
    raw = [circuit.isolate(healthy.net(d.net)) for d in defects if isinstance(d, ForcedNet)]
    return (circuit.levelise() if defects else healthy), raw


def _forcing(
    netlist: Netlist,
    forced: Sequence[ForcedNet],
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
    forces = [forced[i].force for i in order]
    patches = Patches(
        np.array([gates[nets[i]] for i in order], dtype=np.int64),
        _indices(nets[i] for i in order),
        np.zeros(len(forced), dtype=np.uint64),
        _lanes(int(ALL) if force.level else 0 for force in forces),
    )
    faults = Faults(
        _indices(raw[i] for i in order),
        np.array([force.limit_hz for force in forces], dtype=np.float64),
        _lanes(_threshold(force.probability) for force in forces),
        _lanes(force.seed for force in forces),
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

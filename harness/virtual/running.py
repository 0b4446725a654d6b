"""One design inside a virtual chip: its netlist with defects, and its state.

The one rule: defects of nets are what is special in the one lane that is run; the engine knows
nothing of defects, and nothing here knows of pads and boards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from harness.errors import NetlistError, VirtualError
from harness.netlist import (
    ALL,
    SETTLED,
    Circuit,
    Delay,
    Force,
    Kind,
    Lane,
    Machine,
    Machines,
    Netlist,
    Pin,
    Rows,
    Short,
    Tables,
    assemble,
    load_netlist,
    pin_map,
    random_state,
)
from harness.shuttle import Design
from harness.virtual.faults import ChipDefect, ForcedNet, NetBridge
from harness.virtual.lines import power_up, run_cycles

_ENDLESS = 1 << 62


Moment = tuple[int, ...]
"""The fields of :class:`harness.netlist.Extent`, and the last two that ``run_cycles`` names."""


@dataclass
class RunningDesign:
    """A design that can be run; keeps its flops from one run to the next.

    ``tolerated``: in how many cycles a net may stay unstable before the run is given up. A
    healthy design must always settle; a defect may well make one that never does. ``trouble``
    says which net did not: what the design does from then on means nothing.
    """

    where: str
    machines: Machines
    tolerated: int = 0
    trouble: str = ""
    powered: bool = False

    def run(self, board: Tables, rows: Rows, moment: Moment, found: Rows) -> tuple[int, bool, bool]:
        """Run cycles: how many were run, whether the condition was met, and if the next selects.

        Raises VirtualError when a net of a design without defects never becomes stable, and ever
        after.
        """
        if self.trouble:
            raise VirtualError(self.trouble)
        machine, extent = self.machines.machine, np.array(moment, dtype=np.int64)
        if not self.powered:
            power_up(*machine, board, rows[0], self.machines.inputs, extent[[3, 6]])
            self.powered = True
        used, matched, restless, selects = run_cycles(*machine, board, rows, extent, found)
        if restless != SETTLED and not self.tolerated:
            net = self.machines.name(restless)
            self.trouble = f"{self.where}: net {net} never becomes stable"
            raise VirtualError(f"{self.trouble} in cycle {used} of the burst")
        return used, matched, selects


def start_design(design: Design, defects: Sequence[ChipDefect], seed: int) -> RunningDesign:
    """Load a design with its own defects; flops start pseudo-random by ``seed``.

    Raises VirtualError for a net that the netlist lacks (naming the nearest) and for signals
    that do not fit the netlist's ports.
    """
    own = [d for d in defects if isinstance(d, ForcedNet | NetBridge) and d.design == design.name]
    try:
        netlist = _load(design)
        lane = Lane(
            tuple(_net_defect(netlist, d) for d in own if isinstance(d, ForcedNet)),
            tuple(_bridge(netlist, d) for d in own if isinstance(d, NetBridge)),
        )
        pins = tuple(pin_map(netlist, design))
    except NetlistError as error:
        raise VirtualError(f"design {design.name}: {error}") from error
    machines = _new_machines(netlist, pins, lane, seed)
    return RunningDesign(f"design {design.name}", machines, _ENDLESS if own else 0)


def start_nothing() -> RunningDesign:
    """Stand in for an address without a design: no gates, and no output driven."""
    return RunningDesign("no design", _new_machines(_no_design(), (), Lane(), 0))


@lru_cache(maxsize=1)
def _no_design() -> Netlist:
    return Circuit("nothing", "no design").levelise()


def _new_machines(netlist: Netlist, pins: tuple[Pin, ...], lane: Lane, seed: int) -> Machines:
    """A machine of its own, whose flops hold levels by a seed."""
    made = _assembled(netlist, pins, lane)
    v, t, ops = made.machine
    own = v.copy()
    own[: netlist.flop_count] = random_state(netlist, [seed])[:, 0] * ALL
    return replace(made, machine=Machine(own, t.copy(), ops))


@lru_cache(maxsize=64)
def _assembled(netlist: Netlist, pins: tuple[Pin, ...], lane: Lane) -> Machines:
    """Lay a design's machine out once, for all chips that have it with the same defects."""
    return assemble(netlist, pins, [lane], np.zeros((netlist.flop_count, 1), dtype=np.int64))


def _load(design: Design) -> Netlist:
    if design.netlist is None:
        message = "it has no netlist, so a virtual chip cannot run it; add netlist to design.toml"
        raise NetlistError(message)
    return _read(design.netlist, design.top)


@lru_cache(maxsize=256)
def _read(path: Path, top: str) -> Netlist:
    """Read a netlist once: a chip whose power comes back is the chip that it was."""
    return load_netlist(path, top)


def _net_defect(netlist: Netlist, defect: ForcedNet) -> Force | Delay:
    net, force = netlist.net(defect.net), defect.force
    if math.isnan(force.limit_hz):
        return Force(net, force.level, force.probability, force.seed)
    return Delay(net, force.limit_hz)


def _bridge(netlist: Netlist, defect: NetBridge) -> Short:
    kind = Kind.AND if defect.wired == "and" else Kind.OR
    return Short(netlist.net(defect.net_a), netlist.net(defect.net_b), kind)

"""One design inside a virtual chip: its netlist with defects, wired to pins, and its state.

The one rule: defects and faults of the board are what is special in the one lane that is run; the
engine knows neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from harness.errors import NetlistError, VirtualError
from harness.netlist import (
    Chip,
    Circuit,
    Delay,
    Extent,
    Force,
    Kind,
    Lane,
    Netlist,
    Rows,
    Short,
    load_netlist,
    pin_map,
    random_state,
)
from harness.shuttle import Design
from harness.virtual.faults import ChipDefect, ForcedNet, NetBridge, OutputStuck
from harness.virtual.wiring import Wiring

_ENDLESS = 1 << 62


@dataclass
class RunningDesign:
    """A design that can be run; keeps its flops from one run to the next.

    ``tolerated``: in how many cycles a net may stay unstable before the run is given up. A
    healthy design must always settle; a defect may well make one that never does. ``trouble``
    says which net did not: what the design does from then on means nothing.
    """

    where: str
    chip: Chip
    tolerated: int = 0
    trouble: str = ""

    def run(self, rows: Rows, extent: Extent) -> tuple[Rows, int, bool]:
        """Run cycles: what was read, how many were run, and whether the condition was met.

        Raises VirtualError when a net of a design without defects never becomes stable, and ever
        after.
        """
        if self.trouble:
            raise VirtualError(self.trouble)
        extent = extent._replace(tolerated=self.tolerated)
        found, used, matched, restless = self.chip.run(rows, extent)
        if restless and not self.tolerated:
            self.trouble = f"{self.where}: net {restless} never becomes stable"
            raise VirtualError(f"{self.trouble} in cycle {used} of the burst")
        return found, used, matched


def start_design(
    design: Design, wiring: Wiring, defects: Sequence[ChipDefect], seed: int
) -> RunningDesign:
    """Load a design with its own and the chip's defects; flops start pseudo-random by ``seed``.

    Raises VirtualError for a net that the netlist lacks (naming the nearest) and for signals
    that do not fit the netlist's ports.
    """
    own = [d for d in defects if not isinstance(d, OutputStuck) and d.design == design.name]
    try:
        netlist = _load(design)
        lane = Lane(
            tuple(_net_defect(netlist, d) for d in own if isinstance(d, ForcedNet)),
            tuple(_bridge(netlist, d) for d in own if isinstance(d, NetBridge)),
            wiring.moved,
            outputs=_stuck(defects, wiring),
        )
        chip = Chip(netlist, pin_map(netlist, design), lane, random_state(netlist, [seed]))
    except NetlistError as error:
        message = f"design {design.name}: {error}"
        raise VirtualError(message) from error
    return RunningDesign(f"design {design.name}", chip, _ENDLESS if own else 0)


def start_nothing(wiring: Wiring, defects: Sequence[ChipDefect]) -> RunningDesign:
    """Stand in for an address without a design: no gates, and no output driven."""
    netlist = Circuit("nothing", "no design").levelise()
    lane = Lane(outputs=_stuck(defects, wiring))
    return RunningDesign("no design", Chip(netlist, [], lane, random_state(netlist, [0])))


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


def _stuck(defects: Sequence[ChipDefect], wiring: Wiring) -> tuple[Force, ...]:
    """Stuck pins of the chip, by the bits on which the controller reads them."""
    found = [(wiring.bit(d.pin), d) for d in defects if isinstance(d, OutputStuck)]
    return tuple(Force(bit, d.level, d.probability, d.seed) for bit, d in found if bit is not None)

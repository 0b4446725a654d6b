"""The fault list of a netlist: every single stuck-at fault, and which of them are alike.

The one rule: sites and collapsing are those of ``harness.netlist.stuck``; here they are only put
together, so that every part of the room counts the same faults.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.netlist import (
    Kind,
    Netlist,
    StuckAt,
    cells,
    representatives,
    stuck_faults,
    with_branches,
)

Faults = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class FaultList:
    """Faults of a netlist in which outputs and flops have their own branches.

    ``alike``: for each fault the index of the one that stands for its class.
    """

    netlist: Netlist
    faults: tuple[StuckAt, ...]
    alike: Faults

    @cached_property
    def classes(self) -> Faults:
        """Indices of the faults that stand for a class each."""
        return np.unique(self.alike)

    def of_class(self, fault: int) -> Faults:
        """All faults that are alike."""
        return np.flatnonzero(self.alike == self.alike[fault])


def fault_list(netlist: Netlist) -> FaultList:
    """List the faults of a netlist as it was read."""
    branched = with_branches(netlist)
    faults = stuck_faults(branched)
    return FaultList(branched, tuple(faults), representatives(branched, faults))


def cell_names(netlist: Netlist) -> tuple[str, ...]:
    """Name the kinds of cells that faults are counted on, as read and not as evaluated."""
    names, cell = set(), cells(netlist)
    gates = Counter(cell)
    pads = {cell[netlist.gate_by_output[pad]] for pad in netlist.tristates}
    for first, (kind, a, b, _) in zip(cell, netlist.tables.gates.tolist(), strict=True):
        if first in pads:
            continue
        if gates[first] > 1:
            names.add("wider cell")
        elif a == b:
            names.add("NOT" if kind & 1 else "BUF")
        else:
            names.add(Kind(kind).name)
    latches = netlist.tables.groups[:, 4]
    names |= {"latch"} if latches.any() else set()
    names |= {"flip-flop"} if (latches == 0).any() else set()
    names |= {"tri-state buffer"} if netlist.tristates else set()
    return tuple(sorted(names))

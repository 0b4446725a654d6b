"""The netlists of a shuttle's designs, each read when it is first needed.

The one rule: a design without a netlist, or with one that cannot be used, has no gates; why it
cannot is for the check of the shuttle to say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.door import MAX_NETLIST_BYTES, is_file, read_file
from harness.errors import FileUnusable, NetlistError
from harness.netlist import (
    Circuit,
    Lane,
    Netlist,
    Pin,
    Rows,
    cells_file,
    load_netlist,
    pin_map,
    random_state,
)
from harness.rehearse.cache import key_of
from harness.shuttle import Shuttle

Model = tuple[Netlist, Sequence[Pin]]

STATES = 3
"""Power-up states of every prediction: all flops 0, all 1, and pseudo-random."""


class Gates:
    """Netlists with the pins of their nets, by the name of the design; empty is no design."""

    def __init__(self, shuttle: Shuttle) -> None:
        self._designs = shuttle.designs_by_name
        self._models: dict[str, Model | None] = {
            "": (Circuit("nothing", "no design").levelise(), ())
        }

    def key(self, name: str) -> str:
        """Make a key of the files that the design's gates come from."""
        design = self._designs.get(name)
        if design is None or design.netlist is None:
            return ""
        files = (design.netlist, cells_file(design.netlist))
        try:
            parts = [read_file(file, MAX_NETLIST_BYTES) for file in files if is_file(file)]
        except FileUnusable:
            return ""
        signals = [(bus.name, bus.direction, bus.mask, bus.pins) for bus in design.signals]
        return key_of(design.top, repr(signals), *parts)

    def model(self, name: str) -> Model | None:
        """Return the gates of a design, None if it has none that can be used."""
        if name not in self._models:
            self._models[name] = self._read(name)
        return self._models[name]

    def _read(self, name: str) -> Model | None:
        design = self._designs[name]
        if design.netlist is None:
            return None
        try:
            netlist = load_netlist(design.netlist, design.top)
            return netlist, pin_map(netlist, design)
        except NetlistError:
            return None


def power_up(netlist: Netlist) -> NDArray[np.uint64]:
    """Levels of the flops in each power-up state: ``(flops, STATES)``."""
    flops = netlist.flop_count
    zeros = np.zeros((flops, 1), dtype=np.uint64)
    return np.hstack((zeros, zeros + np.uint64(1), random_state(netlist, [0])))


def judge_each(
    netlist: Netlist,
    pins: Sequence[Pin],
    lanes: Sequence[Lane],
    rows: Rows,
    lead: int,
    states: int = STATES,
    *,
    clock_hz: int = 0,
    heed: Callable[[], None] = lambda: None,
) -> harness.netlist.Verdicts:
    """Judge every lane from the first power-up states, the states of a lane one after the other."""
    each = [lane for lane in lanes for _ in range(states)]
    tiled = np.tile(power_up(netlist)[:, :states], len(lanes))
    return harness.netlist.judge(
        netlist, pins, each, tiled, rows, lead=lead, clock_hz=clock_hz, heed=heed
    )


@lru_cache(maxsize=1)
def code_key() -> str:
    """Make a key of the code that answers come from, so that mending it outdates them."""
    parts = []
    for room in ("harness.netlist", "harness.rehearse"):
        names = sorted(file.name for file in resources.files(room).iterdir())
        sources = [name for name in names if name.endswith(".py")]
        parts += [resources.files(room).joinpath(name).read_bytes() for name in sources]
    return key_of(*parts)

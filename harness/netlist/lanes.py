"""What the compiled loops work on: plain arrays, 64 lanes to a word.

The one rule: values only; nothing here needs the compiler.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.netlist.model import HIGH, Netlist

Lanes = NDArray[np.uint64]

SETTLED = -1
"""What :func:`settle` returns when nothing changes any more."""

ALL = np.uint64(0xFFFF_FFFF_FFFF_FFFF)


class Memory(NamedTuple):
    """What changes while one word is evaluated.

    ``values`` one entry a net; ``state`` the contents of each flop; ``clocks`` the last clock
    level of each group; ``pending`` and ``active`` are scratch space, one entry a flop and one a
    group.
    """

    values: Lanes
    state: Lanes
    clocks: Lanes
    pending: Lanes
    active: Lanes


class Patches(NamedTuple):
    """Levels forced on nets, sorted by ``gate``.

    ``gate`` is the gate that drives the net, or -1 if none does; ``mask`` has the lanes in which
    the net is forced to ``level``.
    """

    gate: NDArray[np.int64]
    net: NDArray[np.uint32]
    mask: Lanes
    level: Lanes


class PinMap(NamedTuple):
    """How the bits of a pattern's words meet the nets of a netlist.

    ``input_*``: a driven bit's level goes to the net. ``enable_*``: the net is 1 while the bit is
    driven. ``output_*``: the net's level is on the bit while ``output_enable`` (a net) is 1.
    """

    input_bit: NDArray[np.uint32]
    input_net: NDArray[np.uint32]
    enable_bit: NDArray[np.uint32]
    enable_net: NDArray[np.uint32]
    output_bit: NDArray[np.uint32]
    output_net: NDArray[np.uint32]
    output_enable: NDArray[np.uint32]


class Faults(NamedTuple):
    """When each of the patches of a netlist is in force, one entry a patch; and stuck bits.

    ``limit_hz``: above this clock rate the net shows the level that ``raw`` had at the end of the
    cycle before (NaN where the patch is not of this kind). Else it is in force in a cycle if a
    hash of ``seed`` and the cycle is at most ``chance``. ``pin_*``: the same for bits of what is
    read.
    """

    raw: NDArray[np.uint32]
    limit_hz: NDArray[np.float64]
    chance: Lanes
    seed: Lanes
    pin_bit: NDArray[np.uint32]
    pin_level: Lanes
    pin_chance: Lanes
    pin_seed: Lanes


class Stimulus(NamedTuple):
    """Words of a pattern, one entry a cycle; a single entry stands for any number of cycles."""

    drive: NDArray[np.uint32]
    enable: NDArray[np.uint32]
    pulse: NDArray[np.uint32]
    highz: NDArray[np.uint32]


class Extent(NamedTuple):
    """How long to run: ``cycles`` at most, or until what is read is ``expect`` on ``care``.

    With ``care`` 0 all cycles are run. ``first_cycle`` counts from the power-up of the chip.
    ``tolerated`` is in how many cycles a net may fail to become stable before the run ends.
    """

    cycles: int
    expect: int
    care: int
    first_cycle: int
    clock_hz: float
    tolerated: int


def new_memory(netlist: Netlist) -> Memory:
    """Memory for one word of a netlist: all nets and flops 0, the constants in place."""
    flops, groups = netlist.flop_count, len(netlist.tables.groups)
    values = np.zeros(netlist.net_count, dtype=np.uint64)
    values[HIGH] = ALL
    return Memory(
        values,
        *(np.zeros(size, dtype=np.uint64) for size in (flops, groups, flops, groups)),
    )


def no_patches() -> Patches:
    """No net is forced."""
    nothing = np.zeros(0, dtype=np.uint64)
    return Patches(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint32), nothing, nothing)

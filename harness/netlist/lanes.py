"""What is special in each lane, and lanes as bits of arrays.

The one rule: values only; nothing here needs the compiler. A *word* holds 64 lanes, a *row* 512.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.netlist.model import Kind, Netlist, PortDirection

Lanes = NDArray[np.uint64]
Rows = NDArray[np.int64]
"""``(rows, 8)``: drive, enable, pulse, expect, care, highz, cycles, 1: until it matches."""

ALL = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
WIDE = 8
"""Words in a row."""
FULL = 64 * WIDE
"""Lanes that are evaluated at once, at most."""


@dataclass(frozen=True)
class Pin:
    """A pin of the chip, by its bit in a pattern's words, and the net at it."""

    bit: int
    net: int
    direction: PortDirection


@dataclass(frozen=True)
class Force:
    """A net, or a pin of what is read, holds a level; in a cycle with this probability."""

    at: int
    level: int
    probability: float = 1.0
    seed: int = 1


@dataclass(frozen=True)
class Delay:
    """Above ``limit_hz`` a net shows the level that it should have had one cycle before."""

    at: int
    limit_hz: float


@dataclass(frozen=True)
class Short:
    """Two nets, or two lines of the board: both carry the AND or the OR of what drives them."""

    a: int
    b: int
    kind: Kind


@dataclass(frozen=True)
class Lane:
    """What is special in one lane. Nothing is, if nothing is given.

    ``nets``: forced nets and slow ones. ``bridges``: shorted nets. ``wires``: the line that a pin
    of the chip is on, where it is not that of its own bit (None: on none). ``lines``: lines held
    at a level, for the chip and for the board. ``outputs``: what the board reads on a line is
    stuck, without regard to what the chip sees. ``shorts``: shorted lines.
    """

    nets: tuple[Force | Delay, ...] = ()
    bridges: tuple[Short, ...] = ()
    wires: tuple[tuple[int, int | None], ...] = ()
    lines: tuple[tuple[int, int], ...] = ()
    outputs: tuple[Force, ...] = ()
    shorts: tuple[Short, ...] = ()


HEALTHY = Lane()


class Extent(NamedTuple):
    """How long a chip runs: ``cycles`` at most, or until what is read is ``expect`` on ``care``.

    A single row of stimulus is repeated in every cycle. With ``care`` 0 all are run.
    ``first_cycle`` counts from the power-up of the chip; ``clock_hz`` is a whole number.
    ``tolerated`` is in how many cycles a flop may fail to settle before the run ends.
    """

    cycles: int
    expect: int
    care: int
    first_cycle: int
    clock_hz: int
    tolerated: int


def stimulus(
    drive: ArrayLike,
    enable: ArrayLike,
    pulse: ArrayLike,
    highz: ArrayLike,
    *,
    expect: ArrayLike = 0,
    care: ArrayLike = 0,
    count: ArrayLike = 1,
    until: ArrayLike = 0,
) -> Rows:
    """Columns of a pattern as the loops read them; see ``Pattern`` and ``cycles.Rows``."""
    columns = (drive, enable, pulse, expect, care, highz, count, until)
    arrays = np.broadcast_arrays(*(np.atleast_1d(np.asarray(c, dtype=np.int64)) for c in columns))
    return np.ascontiguousarray(np.stack(arrays, axis=1))


def random_state(netlist: Netlist, seeds: Sequence[int]) -> NDArray[np.uint64]:
    """Levels of the flops at power-up, ``(flops, lanes)``, pseudo-random by a seed a lane."""
    count = netlist.flop_count
    columns = [np.random.default_rng(s).integers(0, 2, count, dtype=np.uint64) for s in seeds]
    return np.array(columns, dtype=np.uint64).reshape(len(seeds), count).T


def new_lanes(count: int, wide: int) -> Lanes:
    """Make an array of ``count`` words or (``wide`` 8) rows of 0; a row is one line of cache."""
    if wide == 1:
        return np.zeros(count, dtype=np.uint64)
    room = np.zeros(count * WIDE + WIDE, dtype=np.uint64)
    first = (-room.ctypes.data // 8) % WIDE
    return room[first : first + count * WIDE].reshape(count, WIDE)


def width(lanes: Lanes) -> int:
    """Words in an entry of an array of lanes."""
    return 1 if lanes.ndim == 1 else int(lanes.shape[1])


def pack(bits: NDArray[np.bool_], wide: int) -> Lanes:
    """``(entries, lanes)`` → entries of words or rows."""
    padded = np.zeros((len(bits), 64 * wide), dtype=np.bool_)
    padded[:, : bits.shape[1]] = bits
    words = np.packbits(padded, axis=1, bitorder="little").view("<u8")
    made = new_lanes(len(bits), wide)
    made[:] = words[:, 0] if wide == 1 else words
    return made


def unpack(entries: Lanes, lanes: int) -> NDArray[np.uint8]:
    """Entries of words or rows → ``(entries, lanes)`` of 0 and 1."""
    flat = np.ascontiguousarray(entries).view(np.uint8).reshape(len(entries), -1)
    bits: NDArray[np.uint8] = np.unpackbits(flat, axis=1, bitorder="little")[:, :lanes]
    return bits

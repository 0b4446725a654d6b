"""The words of a failing table, bus by bus: what was expected, and what was read. Pure.

One rule: everything comes from the stored record; nothing here needs the table or the board.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.records import LongWindow, levels_text, unpacked_words

Words = NDArray[np.uint32]

_BIT = re.compile(r"(.*)\[(\d+)\]")


@dataclass(frozen=True)
class BusBits:
    """A bus of the design: its name, and the bit in a word of each of its bits, lowest first."""

    name: str
    places: tuple[int, ...]

    @property
    def mask(self) -> int:
        """All its bits in a word."""
        return sum(1 << place for place in self.places)

    @property
    def title(self) -> str:
        """``q[7:0]``, or ``carry`` if it is one bit wide."""
        return f"{self.name}[{len(self.places) - 1}:0]" if len(self.places) > 1 else self.name


@dataclass(frozen=True, eq=False)
class Trace:
    """The cycles of a long window: one entry of each array per cycle.

    ``wrong`` marks the pins whose level differs, or that were driven and should float.
    """

    first: int
    complete: bool
    row: NDArray[np.int64]
    line: NDArray[np.int64]
    care: Words
    expect: Words
    seen: Words
    wrong: Words
    buses: tuple[BusBits, ...]

    @classmethod
    def of(cls, window: LongWindow) -> Trace:
        """Unpack a window. Raises ValueError for damaged words."""
        columns = unpacked_words(window)
        word = {name: np.array(columns[name], np.uint32) for name in columns}
        level = (word["seen"] ^ word["expect"]) & word["care"]
        driven = word["highz"] & ~word["floating"]
        return cls(
            window.cycle,
            not window.cut,
            np.array(columns["row"], np.int64),
            np.array(columns["line"], np.int64),
            word["care"] & ~word["highz"],
            word["expect"],
            word["seen"],
            level | driven,
            buses_of(window.signals),
        )

    @cached_property
    def wrong_buses(self) -> tuple[BusBits, ...]:
        """Buses with a wrong bit in some cycle."""
        ever = int(np.bitwise_or.reduce(self.wrong, initial=0))
        return tuple(bus for bus in self.buses if bus.mask & ever)

    def bits(self, words: Words, bus: BusBits) -> NDArray[np.uint8]:
        """Levels of a bus, ``(cycles, bits)``, lowest bit first."""
        places = np.array(bus.places, np.uint32)
        levels: NDArray[np.uint8] = ((words[:, None] >> places) & 1).astype(np.uint8)
        return levels

    def value(self, at: int, bus: BusBits) -> str:
        """Value of a bus as it was read in entry ``at``; digits not tested are ``x``."""
        care, seen = int(self.care[at]), int(self.seen[at])
        single = len(bus.places) == 1  # it has a level also where it should float
        digits = (
            str(seen >> place & 1) if single or care >> place & 1 else "x"
            for place in reversed(bus.places)
        )
        return levels_text("".join(digits))


def buses_of(signals: Sequence[str]) -> tuple[BusBits, ...]:
    """Collect the bits of each bus by their names (``q[2]``), in the order of the words."""
    places: dict[str, dict[int, int]] = {}
    for place, signal in enumerate(signals):
        match = _BIT.fullmatch(signal)
        if signal:
            name, index = (match[1], int(match[2])) if match else (signal, 0)
            places.setdefault(name, {})[index] = place
    return tuple(
        BusBits(name, tuple(bits[index] for index in sorted(bits))) for name, bits in places.items()
    )

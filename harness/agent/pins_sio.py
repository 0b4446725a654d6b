"""Pins of an RP2040 or RP2350 by its SIO registers: software paces, a bus moves in one write.

A cycle is at least as long as requested; no edge is timed exactly. One rule: every register is
reached through ``bus``, none is written before ``bind`` has checked which controller this is, and
release restores the former state of pads and pin functions.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from typing import Any, Literal

from .buffers import words
from .codec import Block
from .cpython import micropython, ptr32
from .faces import BusFace, Vector, Words
from .rp2_chip import (
    FUNCTION_SIO,
    GPIO_IN,
    OUT,
    Bus,
    cross,
    crossing,
    floating_pins,
    refuse_other_chips,
    save_pins,
    take_pins,
)
from .rp2040 import OE_CLEAR, OE_SET, OUT_CLEAR, OUT_INVERT, TIMER

ABOUT = {
    "exact": False,
    "tick_ns": 1_000,
    "rate_hz": 200_000,
    "samples": False,
    "needs": ("rp2_chip",),
    "pins": 32,
    "controllers": ("RP2040", "RP2350", "RP2350A", "RP2350B"),
}
"""Its abilities (``Backend`` in ``backends``): it counts microseconds and reads late."""

STRETCH_US = 25_000
"""Time of the vectors run between looks at the clock, half of that between looks at the host."""
SOFTWARE_US = 10
"""A vector takes software no longer, its waits apart."""
MICROSECONDS = 0x3FFFFFFF
"""The bits of the timer that count here: a difference of two readings fits a small integer."""
LEVELS, ENABLED, OUTPUTS, PULSE, FLIP, ALL, PERIOD, HALF, SETTLE, BEGAN = range(10)
"""Words of the state of ``pace``; OUTPUTS, FLIP and ALL are in controller order, times in us.

OUTPUTS is ENABLED in that order, and FLIP is PULSE, the last pins pulsed. PERIOD is one more than
the time from BEGAN, which may be the next microsecond, to the end of the cycle; 0 is no wait.
"""


@micropython.viper
def pace(tables: Sequence[Any], state: Words, k: int, end: int) -> int:  # noqa: C901  see below
    """Run rows ``k`` to ``end``.

    ``tables`` is drive, enable, pulse, seen (in controller order), the crossing, registers as in
    ``bind``, and a function that looks at the host in long waits. A pin is let go before levels
    move, and becomes an output after that. All in one function: a call takes 1,000 cycles.
    """
    drive = ptr32(tables[0])
    enable = ptr32(tables[1])
    pulse = ptr32(tables[2])
    seen = ptr32(tables[3])
    move = ptr32(tables[4])
    pins = ptr32(tables[5])
    invert = ptr32(tables[6])
    outputs = ptr32(tables[7])
    inputs = ptr32(tables[8])
    timer = ptr32(tables[9])
    s = ptr32(state)
    while k < end:
        w = int(enable[k])
        if w != int(s[1]):
            s[1] = w
            s[2] = int(cross(tables[4], w))
            inputs[0] = int(s[5]) & ~int(s[2])
        w = int(drive[k]) ^ int(s[0])
        s[0] = drive[k]
        part = int(move[(w << 2) & 1020]) | int(move[((w >> 6) & 1020) + 1])
        invert[0] = part | int(move[((w >> 14) & 1020) + 2]) | int(move[((w >> 22) & 1020) + 3])
        outputs[0] = s[2]
        part = int(timer[0])
        while ((int(timer[0]) - part) & 0x3FFFFFFF) < int(s[8]):
            if int(s[8]) > 25000:
                tables[10]()
        w = int(pulse[k])
        if w:
            if w != int(s[3]):
                s[3] = w
                s[4] = int(cross(tables[4], w))
            invert[0] = s[4]
            part = int(timer[0])
            while ((int(timer[0]) - part) & 0x3FFFFFFF) < int(s[7]):
                if int(s[7]) > 25000:
                    tables[10]()
            invert[0] = s[4]
            part = int(timer[0])
            while ((int(timer[0]) - part) & 0x3FFFFFFF) < int(s[8]):
                if int(s[8]) > 25000:
                    tables[10]()
        part = 1  # after a late cycle the timer is anywhere in its microsecond: count from the next
        while ((int(timer[0]) + 1 - int(s[9])) & 0x3FFFFFFF) < int(s[6]):
            part = 0
            if int(s[6]) > 25000:
                tables[10]()
        s[9] = (int(timer[0]) + part) & 0x3FFFFFFF
        seen[k] = pins[0]
        k += 1
    return 0


@micropython.viper
def stretch_end(highz: Words, k: int, end: int) -> int:
    """Return the row after the first test for high impedance from ``k`` on, or ``end``."""
    h = ptr32(highz)
    while k < end:
        k += 1
        if int(h[k - 1]):
            return k
    return k


@micropython.viper
def turn_back(tables: Sequence[Words], k: int, end: int) -> int:
    """Turn the words ``k`` to ``end`` from controller order; none of their pins float.

    ``tables`` is seen, floating, crossing.
    """
    seen = ptr32(tables[0])
    floating = ptr32(tables[1])
    back = ptr32(tables[2])
    while k < end:
        w = int(seen[k])
        part = int(back[(w << 2) & 1020]) | int(back[((w >> 6) & 1020) + 1])
        seen[k] = part | int(back[((w >> 14) & 1020) + 2]) | int(back[((w >> 22) & 1020) + 3])
        floating[k] = 0
        k += 1
    return 0


class Pins:
    """Controller pins in the order in which the host bound them."""

    name = "sio"
    exact: Literal[False] = False
    bursts = 0
    rows = 1024
    also = 0

    def __init__(self, bus: BusFace | None = None) -> None:
        self.bus = bus or Bus()
        self.numbers: list[int] = []
        self.saved: list[tuple[int, int]] = []
        self.state = words(10)
        self.stretch = 1
        self.busy_us = 0
        self.idle: Callable[[], None] | None = None
        self.timing(0, 0, 0)

    def serial(self) -> str:
        """The controller's unique number in hex."""
        return self.bus.serial()

    def bind(self, numbers: Sequence[int]) -> None:
        """Take these pins, all as inputs without a pull. Raises Refused on another controller."""
        refuse_other_chips(self.bus, self.name)
        self.release()
        self.numbers = list(numbers)
        bits = range(len(self.numbers))
        self.ports = (
            crossing([(bit, self.numbers[bit]) for bit in bits]),
            self.bus.window(GPIO_IN),
            self.bus.window(OUT_INVERT),
            self.bus.window(OE_SET),
            self.bus.window(OE_CLEAR),
            self.bus.window(TIMER),
            self.look_up,
        )
        self.back = crossing([(self.numbers[bit], bit) for bit in bits])
        self.saved = save_pins(self.bus, self.numbers)
        for k in (LEVELS, ENABLED, OUTPUTS, PULSE, FLIP):
            self.state[k] = 0
        self.state[ALL] = sum([1 << number for number in self.numbers])
        self.bus.write(OE_CLEAR, self.state[ALL])
        self.bus.write(OUT_CLEAR, self.state[ALL])
        take_pins(self.bus, self.numbers, FUNCTION_SIO)

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int) -> tuple[int, int]:  # noqa: ARG002  part of the face
        """Set the least time of a cycle and the wait before reading, rounded up to 1 us.

        Software times no edge, so outputs are read at the end of the cycle in any case.
        """
        period = (period_ns + 999) // 1000
        # A wait begins anywhere between two ticks of the timer: one more makes it long enough.
        settle = (settle_ns + 1999) // 1000 if settle_ns else 0
        self.state[PERIOD] = period + 1 if period else 0
        self.state[HALF] = (period + 1) // 2
        self.state[SETTLE] = settle
        self.stretch = max(1, STRETCH_US // (2 * period + 2 * settle + SOFTWARE_US))
        return period * 1000, 1

    def run(self, block: Block, count: int, seen: Words, floating: Words) -> None:
        """Run the first ``count`` vectors; ``seen`` and ``floating`` get as many words."""
        tables = (block.drive, block.enable, block.pulse, seen) + self.ports
        began = self.begin()
        row = 0
        while row < count:
            first = row
            row = stretch_end(block.highz, row, min(count, row + self.stretch))
            pace(tables, self.state, first, row)
            turn_back((seen, floating, self.back), first, row)
            pulled = block.highz[row - 1] & ~block.enable[row - 1]
            if pulled:
                floating[row - 1] = floating_pins(self.bus, self.numbers, pulled)
            began = self.look_if_due(began)
        self.busy_us += self.since(began)

    def until(self, vector: Vector, limit: int) -> tuple[int, int, bool]:
        """Repeat one vector (drive, enable, pulse, expect, care) until its outputs match.

        Returns cycles used, last word read, whether it matched.
        """
        drive, enable, pulse, expect, care = vector
        seen, floating = words(1), words(1)
        row = (array("I", [drive]), array("I", [enable]), array("I", [pulse]))
        tables = row + (seen,) + self.ports
        # The loop allocates nothing: the search for room would take longer each time, until a
        # collection of garbage.
        read = (seen, floating, self.back)
        began = self.begin()
        used = 0
        matched = False
        while used < limit and not matched:
            pace(tables, self.state, 0, 1)
            turn_back(read, 0, 1)
            used += 1
            matched = not (seen[0] ^ expect) & care
            began = self.look_if_due(began)
        self.busy_us += self.since(began)
        return used, seen[0], matched

    def begin(self) -> int:
        """Begin a cycle now, from the levels that are there, and return the time.

        Work that was stopped in a pulse has left its pins at the other level.
        """
        self.state[LEVELS] = cross(self.back, self.bus.read(OUT))
        now = self.bus.read(TIMER)
        self.state[BEGAN] = (now + 1) & MICROSECONDS
        return now

    def since(self, began: int) -> int:
        """Microseconds since a reading of the timer."""
        return (self.bus.read(TIMER) - began) & MICROSECONDS

    def look_if_due(self, began: int) -> int:
        """Between two cycles, look at the host if that is due; this takes no cycle's time.

        Returns when the next cycle began, or ``began``; raises to stop the work.
        """
        if self.since(began) < STRETCH_US:
            return began
        self.busy_us += self.since(began)
        self.look_up()
        return self.begin()

    def look_up(self) -> None:
        """Tell the host that work goes on, or let it stop the work."""
        if self.idle:
            self.idle()

    def took(self) -> int:
        """Microseconds spent in cycles since the last call."""
        busy, self.busy_us = self.busy_us, 0
        return busy

    def sense(self, numbers: Sequence[int]) -> list[int | None]:
        """The readings of these pins, each the mean of 16 from 0 to 65535."""
        return [self.bus.measure(number) for number in numbers]

    def release(self) -> None:
        """Make every pin an input and restore the former state."""
        if not self.saved:
            return
        self.bus.write(OE_CLEAR, self.state[ALL])
        for place, value in reversed(self.saved):
            self.bus.write(place, value)
        self.saved = []

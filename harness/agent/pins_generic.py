"""Pins through ``machine.Pin``: paced by software, slow, and usable on any board.

A cycle is at least as long as requested; no edge is timed exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal

import machine

from .codec import Block
from .cpython import micropython, ticks_add, ticks_diff, ticks_us
from .faces import Vector, Words

ABOUT = {"exact": False, "tick_ns": 1_000, "rate_hz": 100_000, "samples": False}
"""Its abilities (``Backend`` in ``backends``): it counts microseconds and reads late."""

PULL_US = 20
"""Time for a weak pull to move a floating pin and its track, in microseconds."""

LOOK_US = 50_000
"""Maximum time between looks at the host, in microseconds."""


def mean(adc: Any) -> int:
    """The mean of 16 readings, which reduces noise."""
    readings: list[int] = [adc.read_u16() for _ in range(16)]
    return sum(readings) // 16


class Pins:
    """Controller pins in the order in which the host bound them."""

    name = "generic"
    exact: Literal[False] = False
    bursts = 0
    rows = 1024

    def __init__(self) -> None:
        self.pins: list[Any] = []
        self.wires: list[tuple[Any, int]] = []
        self.at: dict[int, Any] = {}
        self.driven = 0
        self.levels = 0
        self.period_us = 0
        self.settle_us = 0
        self.due = ticks_us()
        self.busy_us = 0
        self.idle: Callable[[], None] | None = None

    def serial(self) -> str:
        """The controller's unique number in hex."""
        return "".join(["%02x" % byte for byte in machine.unique_id()])

    def bind(self, numbers: Sequence[int]) -> None:
        """Take these pins, all as inputs without a pull."""
        self.release()
        self.pins = [machine.Pin(number, machine.Pin.IN, None) for number in numbers]
        self.wires = [(self.pins[bit], 1 << bit) for bit in range(len(self.pins))]
        self.at = {mask: pin for pin, mask in self.wires}
        self.driven = 0

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int) -> tuple[int, int]:  # noqa: ARG002  part of the face
        """Set the least time of a cycle and the wait before reading, rounded up to 1 us.

        Software times no edge, so outputs are read at the end of the cycle in any case.
        """
        self.period_us = (period_ns + 999) // 1000
        self.settle_us = (settle_ns + 999) // 1000
        return self.period_us * 1000, 1

    @micropython.native
    def run(self, block: Block, count: int, seen: Words, floating: Words) -> None:
        """Run the first ``count`` vectors; ``seen`` and ``floating`` get as many words."""
        began = self.begin()
        for k in range(count):
            if ticks_diff(self.due, began) > LOOK_US:
                began = self.look_up(began)
            highz = block.highz[k]
            self.apply(block.drive[k], block.enable[k])
            self.pulse(block.pulse[k])
            self.wait()
            seen[k] = self.look()
            floating[k] = self.pull(highz) if highz else 0
        self.busy_us += ticks_diff(ticks_us(), began)

    def until(self, vector: Vector, limit: int) -> tuple[int, int, bool]:
        """Repeat one vector (drive, enable, pulse, expect, care) until its outputs match.

        Returns cycles used, last word read, whether it matched.
        """
        drive, enable, pulse, expect, care = vector
        began = self.begin()
        used = 0
        matched = False
        while used < limit and not matched:
            if ticks_diff(self.due, began) > LOOK_US:
                began = self.look_up(began)
            self.apply(drive, enable)
            self.pulse(pulse)
            self.wait()
            word = self.look()
            used += 1
            matched = not (word ^ expect) & care
        self.busy_us += ticks_diff(ticks_us(), began)
        return used, word, matched

    @micropython.native
    def apply(self, drive: int, enable: int) -> None:
        """Set directions and levels as the vector says; touch only what changes, bit by bit."""
        changed = enable ^ self.driven
        left = changed | ((drive ^ self.levels) & enable)
        while left:
            mask = left & -left
            left ^= mask
            level = 1 if drive & mask else 0
            if changed & mask:
                self.turn(self.at[mask], enable & mask, level)
            else:
                self.at[mask].value(level)
        self.driven = enable
        self.levels = drive
        self.pause(self.settle_us)

    def turn(self, pin: Any, out: int, level: int) -> None:
        """Make a pin an output at a level, or an input."""
        if out:
            pin.init(machine.Pin.OUT, value=level)
        else:
            pin.init(machine.Pin.IN, None)

    def pulse(self, mask: int) -> None:
        """Invert the pins in ``mask`` and restore them, with one edge each way.

        ``levels`` follows, as the host may stop the work in between.
        """
        if mask:
            self.invert(mask)
            self.pause(self.period_us // 2)
            self.invert(mask)
            self.pause(self.settle_us)

    @micropython.native
    def invert(self, mask: int) -> None:
        """Set the pins in ``mask`` to their other levels."""
        levels = self.levels ^ mask
        self.levels = levels
        while mask:
            one = mask & -mask
            mask ^= one
            self.at[one].value(1 if levels & one else 0)

    @micropython.native
    def look(self) -> int:
        """Read every pin into one word."""
        word = 0
        for pin, mask in self.wires:
            if pin.value():
                word |= mask
        return word

    def pull(self, mask: int) -> int:
        """Return the pins in ``mask`` that follow a weak pull both ways: nothing drives them."""
        floats = 0
        for bit in range(len(self.pins)):
            if mask >> bit & 1 and not self.driven >> bit & 1:
                pin = self.pins[bit]
                up = self.pulled(pin, machine.Pin.PULL_UP)
                down = self.pulled(pin, machine.Pin.PULL_DOWN)
                pin.init(machine.Pin.IN, None)
                if up and not down:
                    floats |= 1 << bit
        return floats

    def pulled(self, pin: Any, pull: int) -> int:
        """The pin's level under a weak pull."""
        pin.init(machine.Pin.IN, pull)
        self.pause(PULL_US)
        level: int = pin.value()
        return level

    def begin(self) -> int:
        """Begin a cycle now and return the time; an old ``due`` means nothing."""
        now = ticks_us()
        self.due = ticks_add(now, self.period_us)
        return now

    def look_up(self, began: int) -> int:
        """Between two cycles, tell the host that work goes on, or let it stop the work.

        This takes no cycle's time. Returns when the next cycle began; raises to stop.
        """
        self.busy_us += ticks_diff(ticks_us(), began)
        if self.idle:
            self.idle()
        return self.begin()

    def wait(self) -> None:
        """Wait until this cycle is over."""
        self.pass_time(self.due)
        self.due = ticks_add(ticks_us(), self.period_us)

    def pause(self, us: int) -> None:
        """Wait ``us`` microseconds."""
        if us:
            self.pass_time(ticks_add(ticks_us(), us))

    def pass_time(self, end: int) -> None:
        """Wait until ``end``; look at the host while that is far."""
        while True:
            left = ticks_diff(end, ticks_us())
            if left <= 0:
                return
            if left > LOOK_US and self.idle:
                self.idle()

    def took(self) -> int:
        """Microseconds spent in cycles since the last call."""
        busy, self.busy_us = self.busy_us, 0
        return busy

    def sense(self, numbers: Sequence[int]) -> list[int | None]:
        """The readings of these pins, each the mean of 16 from 0 to 65535."""
        return [mean(machine.ADC(machine.Pin(number))) for number in numbers]

    def release(self) -> None:
        """Make every pin an input again."""
        for pin in self.pins:
            pin.init(machine.Pin.IN, None)
        self.driven = 0

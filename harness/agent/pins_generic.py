"""Pins through ``machine.Pin``: paced by software, slow, and usable on any board.

A cycle is at least as long as requested; no edge is timed exactly.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any, Literal

import machine

from .codec import Block
from .cpython import micropython, ticks_add, ticks_diff, ticks_us
from .engine import Refused
from .faces import Vector, Words

ABOUT = {"exact": False, "tick_ns": 1_000, "rate_hz": 100_000, "samples": False}
"""Its abilities (``Backend`` in ``backends``): it counts microseconds and reads late."""

PULL_US = 20
"""Time for a weak pull to move a floating pin and its track, in microseconds."""

LOOK_US = 50_000
"""Maximum time between looks at the host, in microseconds."""


@micropython.viper
def put(pins: Sequence[Any], mask: int, levels: int) -> int:
    """Set the pins in ``mask`` to their bits of ``levels``, one after the other."""
    k = 0
    while mask and k < 32:
        if mask & 1:
            pins[k](levels & 1)
        mask >>= 1
        levels >>= 1
        k += 1
    return 0


@micropython.viper
def look(pins: Sequence[Any], mask: int) -> int:
    """Read the pins in ``mask``, one after the other, into a word that is 0 elsewhere."""
    k = word = 0
    end = int(len(pins))
    while mask and k < end:
        if mask & 1:
            word |= int(pins[k]()) << k
        mask >>= 1
        k += 1
    return word


def pulls_down() -> bool:
    """Whether a weak pull brings down a floating pin whose input is on.

    Not on an RP2350 up to stepping A2 (RP2350 datasheet, erratum RP2350-E9; identity as in
    ``rp2_chip``), and ``machine.Pin`` does not turn an input off.
    """
    chip = machine.mem32[0x40000000] if sys.platform == "rp2" else 0
    return chip & 0x0FFFFFFF != 0x0004927 or chip >> 28 > 2


def mean(adc: Any) -> int:
    """The mean of 16 readings, which reduces noise."""
    return int(sum([adc.read_u16() for _ in range(16)])) // 16


class Pins:
    """Controller pins in the order in which the host bound them."""

    name = "generic"
    exact: Literal[False] = False
    bursts = 0
    rows = 1024
    also = 0

    def __init__(self) -> None:
        self.pins: list[Any] = []
        self.driven = self.levels = 0
        self.period_us = self.settle_us = self.busy_us = 0
        self.began = self.due = ticks_us()
        self.idle: Callable[[], None] | None = None

    def serial(self) -> str:
        """The controller's unique number in hex."""
        return str(machine.unique_id().hex())

    def bind(self, numbers: Sequence[int]) -> None:
        """Take these pins, all as inputs without a pull."""
        self.release()
        self.pins = [machine.Pin(number, machine.Pin.IN, None) for number in numbers]

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
        drive, enable, pulse, _, care, highz, _ = block.fields
        self.begin()
        for k in range(count):
            mask = highz[k]
            seen[k] = self.cycle(drive[k], enable[k], pulse[k], care[k] | mask)
            floating[k] = self.pull(mask) if mask else 0
        self.end()

    def until(self, vector: Vector, limit: int) -> tuple[int, int, bool]:
        """Repeat one vector (drive, enable, pulse, expect, care) until its outputs match.

        Returns cycles used, last word read, whether it matched.
        """
        drive, enable, pulse, expect, care = vector
        self.begin()
        used = 0
        matched = False
        while used < limit and not matched:
            word = self.cycle(drive, enable, pulse, care)
            used += 1
            matched = not (word ^ expect) & care
        self.end()
        return used, word, matched

    @micropython.native
    def cycle(self, drive: int, enable: int, pulse: int, tested: int) -> int:
        """Drive, settle, pulse, settle, wait, read; touch only pins that change or are tested.

        A pin is let go before levels move, and becomes an output after that. ``levels`` follows a
        pulse, as the host may stop the work in the middle of one.
        """
        if ticks_diff(self.due, self.began) > LOOK_US:
            self.look_up()
        pins = self.pins
        turned = enable ^ self.driven
        if turned:
            self.turn(turned & self.driven, 0, 0)
        changed = (drive ^ self.levels) & self.driven & enable
        if changed:
            put(pins, changed, drive)
        self.driven = enable
        self.levels = drive
        if turned:
            self.turn(turned & enable, enable, drive)
        settle = self.settle_us
        if settle:
            self.pause(settle)
        period = self.period_us
        if pulse:
            self.levels = drive ^ pulse
            put(pins, pulse, drive ^ pulse)
            if period:
                self.pause(period >> 1)
            self.levels = drive
            put(pins, pulse, drive)
            if settle:
                self.pause(settle)
        now = ticks_us()
        if ticks_diff(self.due, now) > 0:
            self.pass_time(self.due)
            now = ticks_us()
        self.due = ticks_add(now, period)
        return look(pins, tested | self.also)

    def turn(self, mask: int, enable: int, levels: int) -> None:
        """Make the pins in ``mask`` outputs at these levels, or inputs."""
        for bit in range(len(self.pins)):
            if mask >> bit & 1:
                pin = self.pins[bit]
                if enable >> bit & 1:
                    pin.init(machine.Pin.OUT, value=levels >> bit & 1)
                else:
                    pin.init(machine.Pin.IN, None)

    def pull(self, mask: int) -> int:
        """Return the pins in ``mask`` that follow a weak pull both ways: nothing drives them."""
        floats = 0
        mask &= ~self.driven
        if mask and not pulls_down():
            raise Refused(
                "this RP2350, of stepping A2, cannot be tested for high impedance with backend "
                '"generic"; use "rp2" or "sio"'
            )
        for bit in range(len(self.pins)):
            if mask >> bit & 1:
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
        return int(pin())

    def begin(self) -> None:
        """Begin a cycle now; an old ``due`` means nothing."""
        self.began = ticks_us()
        self.due = ticks_add(self.began, self.period_us)

    def end(self) -> None:
        """Count the time since ``begin``."""
        self.busy_us += ticks_diff(ticks_us(), self.began)

    def look_up(self) -> None:
        """Between two cycles, tell the host that work goes on, or let it stop the work.

        This takes no cycle's time. Raises to stop.
        """
        self.end()
        if self.idle:
            self.idle()
        self.begin()

    def pause(self, us: int) -> None:
        """Wait ``us`` microseconds."""
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

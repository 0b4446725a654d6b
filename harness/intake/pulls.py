"""The electrical half of the pin check: drive one pin, watch the others on weak pulls.

One rule: only pins that the chip never drives are driven, one at a time, so that a short meets a
weak pull and never a second output.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from harness.board import RunConditions
from harness.errors import BoardMisbehaved
from harness.intake.steps import PinResult, PinState
from harness.judge import PatternRunner
from harness.shuttle import Bus, Direction, Pin, Shuttle
from harness.table import Pattern, Words

RATE_HZ = 1000.0

Read = tuple[int, int]
"""The answer to one vector: the levels read, and the watched pins that floated."""


def check_by_pulls(runner: PatternRunner, shuttle: Shuttle) -> Mapping[str, PinResult]:
    """Find inputs that are stuck or shorted to each other; raises LinkError or Cancelled.

    Only pins with a fault are returned: an input that floats when released looks the same with or
    without a chip.
    """
    pins = [pin for pin in shuttle.pins if pin.direction not in _DRIVEN_BY_CHIP]
    pins.sort(key=lambda pin: pin.direction is Direction.SELECT)
    watched = sum(pin.mask for pin in pins)
    # two vectors for each of at most 32 pins: one run keeps the words of all
    enable = np.repeat(np.array([pin.mask for pin in pins], np.uint32), 2)
    drive = enable * (np.arange(len(enable), dtype=np.uint32) % 2)
    pattern = _lone(shuttle, drive, enable, np.uint32(watched) & ~enable)
    capture = runner.run(pattern, RunConditions(RATE_HZ, 0.0, 0), window=(0, len(drive)))
    window = capture.window
    if window is None or len(window.seen) != len(drive):
        raise BoardMisbehaved("the board kept no words of the pin check; run it again")
    reads = zip(window.seen.tolist(), window.floating.tolist(), strict=True)
    faults: dict[str, PinResult] = {}
    for pin, low, high in zip(pins, reads, reads, strict=True):
        for fault in _judge(pin, low, high, pins):
            faults.setdefault(fault.pin, fault)
    return faults


_DRIVEN_BY_CHIP = {Direction.OUTPUT, Direction.BIDIRECTIONAL}


def _judge(pin: Pin, low: Read, high: Read, pins: Sequence[Pin]) -> Iterator[PinResult]:
    for level, (seen, _) in enumerate((low, high)):
        if bool(seen & pin.mask) != bool(level):
            text = f"reads {1 - level} while driven to {level}"
            yield PinResult(pin.name, PinState.STUCK, text)
    for other in pins:
        if other is not pin and _follows(other, low, high):
            text = f"follows {pin.name} when only that pin is driven"
            yield PinResult(other.name, PinState.SHORTED, text)


def _follows(other: Pin, low: Read, high: Read) -> bool:
    (seen_low, floating_low), (seen_high, floating_high) = low, high
    if (floating_low | floating_high) & other.mask:
        return False
    return not seen_low & other.mask and bool(seen_high & other.mask)


def _lone(shuttle: Shuttle, drive: Words, enable: Words, highz: Words) -> Pattern:
    """Make vectors that drive single pins and expect nothing."""
    every = tuple(Bus(pin.name, (pin,), Direction.BIDIRECTIONAL) for pin in shuttle.pins)
    return Pattern.of(every, drive=drive, enable=enable, highz=highz)

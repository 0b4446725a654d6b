"""Ticks of an RP2040 for each vector: exact bursts on an emulated chip, counted on its wires.

Run with ``python -m tests.bench.rp2_cycles``. Only the figures of the emulated PIO are measured
here. The others are what ``firmware`` beside this file prints, on an emulated RP2040 with
MicroPython 1.28, and stand here for comparison: no package brings the firmware image that it needs.
Nothing here was run on a real board. It ends with 1 if a target is missed.
"""

from __future__ import annotations

import struct
import sys
import time

import numpy as np

from harness.agent import protocol
from harness.agent.engine import Engine
from harness.agent.pins_rp2 import Pins
from tests.bench.targets import Target, conclude
from tests.unit.agent.emulated import EmulatedBus, Inverter
from tests.unit.board.bodies import encode_planes

VECTORS = 4096
CLOCK = 1 << 7
ELSEWHERE = (
    ("viper: write, read, compare, count", 79),
    ("viper: masked write, clock pulse, read, compare", 98),
    ("machine.mem32 in plain Python", 2_700),
    ("16 machine.Pin calls in plain Python", 29_500),
    ("pins_sio, nine pins in and nine out", 1_220),
    ("pins_sio, with a clock pulse", 1_350),
    ("pins_generic, nine pins in and nine out", 19_800),
    ("pins_generic, with a clock pulse", 23_000),
)


def measure(pulse: int, ticks: int) -> tuple[float, int, float]:
    """Ticks from a vector to the next on the wires, mismatches, and ticks emulated a second."""
    bus = EmulatedBus(Inverter(), range(16))
    pins = Pins(bus, 2 * VECTORS, VECTORS)
    pins.bind(range(16))
    engine = Engine(pins, VECTORS)
    pins.timing(8 * ticks, 0, 0)
    engine.start(0, 0, protocol.GAP_FREE)
    data = np.arange(1, VECTORS + 1, dtype=np.uint32) % 127
    zero = np.zeros_like(data)
    columns = (data, zero + 0xFF, zero + np.uint32(pulse), (~data & 0x7F) << np.uint32(8))
    rest = (zero + np.uint32(0x7F00), zero, zero + 1)
    words = tuple(column.astype(np.uint32) for column in (*columns, *rest))
    engine.command(protocol.LOAD, encode_planes(words))
    began, before = time.perf_counter(), bus.now
    engine.command(protocol.BLOCK, struct.pack("<BH", 0, VECTORS))
    speed = (bus.now - before) / (time.perf_counter() - began)
    moves = [now for now, levels in bus.edges if not levels & CLOCK][-VECTORS:]
    starts = moves[1:] if not pulse else moves[1::2]
    each = (starts[-1] - starts[0]) / (len(starts) - 1)
    return each, engine.bad, speed


def targets() -> list[Target]:
    """Print the figures; what they come to."""
    found = []
    print("ticks per vector, measured on the emulated RP2040 (125 MHz)")
    for name, pulse, ticks in (("PIO, no pulse", 0, 4), ("PIO, with a clock pulse", CLOCK, 6)):
        each, bad, speed = measure(pulse, ticks)
        print(f"  {name:<50} {each:>9.2f}   {125 / each:6.2f} MHz, {bad} mismatches", end="")
        print(f"   ({speed / 1e6:.2f} million ticks emulated a second)")
        asked = f"{name}: {ticks} cycles a vector on the wires, no mismatch"
        found.append(Target(asked, f"{each:g}, {bad} mismatches", each == ticks and not bad))
    print("measured by tests.bench.firmware, not in this run")
    for name, cycles in ELSEWHERE:
        print(f"  {name:<50} {cycles:>9,}   {cycles / 4:6,.0f} times the PIO without a pulse")
    return found


if __name__ == "__main__":
    sys.exit(conclude(targets()))

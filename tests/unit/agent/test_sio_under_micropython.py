"""The SIO pins under the real MicroPython interpreter: its viper loops do what CPython's do.

Memory stands in for the registers, so each shows what was written last; what they do is shown
elsewhere.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from harness.agent import (
    buffers,
    codec,
    engine,
    pins_sio,
    planes,
    protocol,
    rp2_chip,
    rp2040,
    unpack,
)
from tests.unit.agent.micropython import needs_micropython, run_twice

MODULES = (protocol, buffers, unpack, planes, codec, engine, rp2040, rp2_chip, pins_sio)
SCENARIO = """
import json
from array import array

with open("rows.json") as file:
    rows = json.load(file)

class Memory:
    def __init__(self):
        self.registers = {at: words(1) for at in (GPIO_IN, OUT_INVERT, OE_SET, OE_CLEAR)}
        self.timer = words(1)
    def chip_id(self):
        return 0x20002927
    def read(self, address):
        return self.timer[0] if address == TIMER else 0
    def write(self, address, value):
        pass
    def window(self, address):
        return self.registers.get(address, self.timer)

bus = Memory()
pins = Pins(bus)
pins.bind([(11 * k + 2) % 30 for k in range(30)])
looks = []
def look():
    looks.append(bus.timer[0])
    bus.timer[0] = (bus.timer[0] + 200000) & 0xffffffff
pins.idle = look
seen = words(1)
floating = words(1)
block = Block(1)
for period, start in ((0, 5), (0, 0xfffffff0), (200000, 0xffffd8f0), (200000, 0x3fffe000)):
    bus.timer[0] = start
    pins.timing(1000 * period, 0, 0)
    for row in rows[: 3 if period else len(rows)]:
        bus.registers[GPIO_IN][0] = row[5]
        for k in range(5):
            block.fields[k][0] = row[k]
        pins.run(block, 1, seen, floating)
        written = [bus.registers[at][0] for at in sorted(bus.registers)]
        print(json.dumps([seen[0], floating[0], written, list(pins.state)]))
    print(json.dumps([pins.took(), looks]))
"""


@needs_micropython
def test_both_interpreters_write_the_same_registers_and_read_the_same_words(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    rows = [[int(word) for word in random.integers(0, 1 << 30, 6)] for _ in range(40)]
    rows[1][2] = 0
    (tmp_path / "rows.json").write_text(json.dumps(rows), encoding="utf-8")
    on_board, on_host = run_twice(
        "sio", [module.__name__ for module in MODULES], SCENARIO, tmp_path
    )
    assert on_board == on_host
    assert len(on_board) == 2 * 41 + 2 * 4

"""The RP2040's pins under the real MicroPython interpreter: the same registers, the same answers.

No hardware here and no emulator: a bus that notes every access and plays the few answers that the
agent waits for. What the registers do is shown elsewhere; here it is that both interpreters write
the same ones, viper loops included.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np

from harness.agent import (
    buffers,
    codec,
    engine,
    pins_rp2,
    planes,
    protocol,
    rp2_back,
    rp2_chip,
    rp2_plan,
    rp2_start,
    rp2_stream,
    rp2_timing,
    rp2040,
    unpack,
)
from tests.unit.agent.micropython import needs_micropython, run_twice
from tests.unit.board.bodies import encode_planes

GENERAL = (protocol, buffers, unpack, planes, codec)
TEXTS = (*GENERAL, rp2040, rp2_chip, rp2_timing, rp2_stream, rp2_plan, rp2_back, rp2_start)
SCENARIO = """
import json
from array import array

with open("cases.json") as file:
    cases = json.load(file)

class Recorder:
    def __init__(self):
        self.log = []
        self.answered = 0
        self.next = 0x20001000
        self.rooms = []
    def chip_id(self):
        return 0x20002927
    def read(self, address):
        self.log.append((address, None))
        if address == PIO_FLEVEL:
            return 4
        if address == PIO_FSTAT:
            return TX_EMPTY | (0 if self.answered else RX_EMPTY)
        if address == PIO_RXF:
            self.answered = 0
            return 0x00C30000 | len(self.log) & 0xFF
        return 0
    def write(self, address, value):
        self.log.append((address, value))
        if address == PIO_CTRL + SET_BITS and value == SM_ENABLE:
            self.answered = 1
    def put(self, pairs, count):
        for k in range(0, 2 * count, 2):
            self.write(pairs[k], pairs[k + 1])
    def room(self, count):
        at = self.next
        self.next += 4 * count + 8 & ~7
        self.rooms.append(array("I", [(k * 0x9E3779B1) & 0x3FFFFFFF for k in range(count)]))
        return self.rooms[-1], at
    def frequency(self):
        return 125000000
    def serial(self):
        return "noted"
    def idle(self):
        pass
    def pause(self, us):
        pass

def unhex(text):
    return bytes([int(text[k:k + 2], 16) for k in range(0, len(text), 2)])

bus = Recorder()
pins = Pins(bus)
engine = Engine(pins, 64)
for kind, payload in cases:
    answer = engine.command(kind, unhex(payload))
    if kind != HELLO:
        print(json.dumps(["answer", kind, "".join(["%02x" % byte for byte in answer])]))
    print(json.dumps(["log", bus.log]))
    bus.log = []
print(json.dumps(["stream", list(bus.rooms[0][:300])]))
print(json.dumps(["blocks", list(bus.rooms[2][:40]), list(bus.rooms[3][:40])]))
pins.release()
print(json.dumps(["log", bus.log]))
"""


def cases() -> list[tuple[int, str]]:
    """A session with rows of every kind: plain, repeated, floating, turned round, waiting."""
    random = np.random.default_rng(11)
    count = 24
    columns = {
        name: random.integers(0, 1 << 20, count, dtype=np.uint32) for name in protocol.FIELDS
    }
    columns["enable"][:] = 0xFFF
    columns["enable"][9:] = 0x0FF
    columns["pulse"] &= np.uint32(0x800)
    columns["highz"][:] = 0
    columns["highz"][14] = 0x1000
    columns["repeat"][:] = 1
    columns["repeat"][4] = 200
    columns["repeat"][6] = 70
    columns["care"][6] = 0
    columns["repeat"][19] = protocol.UNTIL | 3
    body = encode_planes(tuple(columns.values()))
    return [
        (protocol.HELLO, ""),
        (protocol.BIND, bytes((5 * k + 2) % 29 for k in range(20)).hex()),
        (protocol.TIMING, struct.pack("<III", 1000, 100, 40).hex()),
        (protocol.START, struct.pack("<IIB", 2, 10, protocol.PULSES).hex()),
        (protocol.LOAD, body.hex()),
        (protocol.BLOCK, bytes((protocol.REPEATS, count, 0)).hex()),
        (protocol.TOTALS, ""),
    ]


@needs_micropython
def test_both_interpreters_write_the_same_registers_and_give_the_same_answers(
    tmp_path: Path,
) -> None:
    (tmp_path / "cases.json").write_text(json.dumps(cases()), encoding="utf-8")
    on_board, on_host = run_twice(
        "rp2", [module.__name__ for module in (*TEXTS, pins_rp2, engine)], SCENARIO, tmp_path
    )
    assert on_board == on_host
    logs = [line[1] for line in on_board if line[0] == "log"]
    assert len(logs) == len(cases()) + 1
    assert sum(len(log) for log in logs) > 300

"""The agent under the real MicroPython interpreter gives, case by case, the results it gives here.

One script is executed by both interpreters; only its first lines differ, where the names come
from. On MicroPython they come from the bundle's texts, as on a board.
"""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path

import numpy as np

from harness.agent import protocol
from harness.agent.backends import backend, texts
from harness.board.encode import match
from tests.unit.agent.micropython import needs_micropython, run, run_twice
from tests.unit.board.bodies import encode_planes
from tests.unit.link.test_framing import BODIES, FRAMES

MODULES = [
    f"harness.agent.{name}"
    for name in [
        "protocol",
        "buffers",
        "unpack",
        "planes",
        "codec",
        "pins_generic",
        "engine",
        "server",
    ]
]
ON_BOARD = """
for number in range(9):
    with open("text%d.py" % number) as file:
        exec(file.read(), globals())
"""
SCENARIO = """
import json, struct, binascii
from array import array
import machine
with open("cases.json") as file:
    cases = json.load(file)
unhex = binascii.unhexlify

def show(*what):
    print(json.dumps(list(what)))

show("check value", binascii.crc32(b"123456789"))
for body in cases["bodies"]:
    body = unhex(body)
    show("frame", frame(body[0], body[1], body[2], body[3:]).hex())
for stream in cases["streams"]:
    stream = unhex(stream)
    for size in (1, 7, 64, len(stream)):
        deframer = Deframer()
        found = []
        for at in range(0, len(stream), size):
            piece = stream[at:at + size]
            found += [body.hex() for body in deframer.feed(piece, len(piece))]
        show("deframed", found, deframer.damaged)
block = Block(64)
for count, body, short in cases["blocks"]:
    block.load(unhex(body), count)
    show("block", [list(field[:count]) for field in block.fields])
    plain = bytearray(body_size(64))
    short = unhex(short)
    size = unmatch(short, plain, array("I", [len(short), len(plain)]))
    show("expanded", bytes(plain[:size]).hex())
counts = words(32)
wrong, tested = words(64), words(64)
asked, found = [block.expect, block.care, block.highz], [block.drive, block.pulse, wrong, tested]
show("compare", compare(asked, found, 0, count), list(wrong[:count]), list(tested[:count]))
tally(wrong, counts, count)
show("tally", list(counts))

# an inverter from controller pin 1 to pin 2; pin 3 floats, pin 4 is held high by the chip
machine.net(2).chip = lambda: 1 - pins.pins[0].out
machine.net(4).chip = 1
pins = Pins()
engine = Engine(pins, 64)

class Quiet:
    chunk = bytearray(64)
    said = b""
    def write(self, data):
        self.said += data
    def begin(self):
        pass
    def overdue(self):
        return False

port = Quiet()
server = Server(3, engine, port)
number = 0
for kind, payload in cases["commands"]:
    server.take(bytes((3, number, kind)) + unhex(payload))
    number += 1
for body in Deframer(3000).feed(port.said, len(port.said)):
    if body[1] == 6:  # the totals, whose measured time is never the same
        show("totals", body[:19].hex(), body[27:].hex(), body[19] | body[20] > 0)
    elif body[1] != 0:
        show("answer", body.hex())
"""


def cases() -> dict[str, object]:
    """Input of the scenario, made on the host as the host makes it."""
    random = np.random.default_rng(7)
    blocks = []
    for count in (1, 5, 64):
        counting = np.arange(count, dtype=np.uint32)
        fields = [random.integers(0, 1 << 32, count, dtype=np.uint32) for _ in range(5)]
        body = encode_planes((counting, *fields, np.full(count, 77, np.uint32)))
        blocks.append((count, body.hex(), match(body).hex()))
    good = b"".join(FRAMES)
    damaged = bytearray(good)
    damaged[40] ^= 4
    del damaged[700]
    streams = [good.hex(), bytes(damaged).hex(), (b"\x07\x00noise\x00" + FRAMES[5]).hex()]
    return {
        "bodies": [body.hex() for body in BODIES],
        "streams": streams,
        "blocks": blocks,
        "commands": commands(),
    }


def commands() -> list[tuple[int, str]]:
    """A session with the inverter: bound, timed, run with repeats, ``until`` and pull tests."""
    drive = [1, 0, 0, 1, 0, 1]
    expect = [0, 2, 0, 0, 0, 2]
    rows = np.array(
        [
            drive,
            [1] * 6,
            [0, 0, 0, 1, 0, 0],
            expect,
            [2] * 6,
            [0, 4, 12, 0, 0, 0],
            [1, 1, 1, 3, protocol.UNTIL | 4, protocol.UNTIL | 3],
        ],
        dtype=np.uint32,
    )
    run_it = bytes((protocol.REPEATS, 6, 0))
    return [
        (protocol.HELLO, ""),
        (protocol.BIND, bytes((1, 2, 3, 4)).hex()),
        (protocol.TIMING, bytes(12).hex()),
        (protocol.START, struct.pack("<IIB", 0, 4, 0).hex()),
        (protocol.LOAD, encode_planes(tuple(rows)).hex()),
        (protocol.BLOCK, run_it.hex()),
        (protocol.TOTALS, ""),
        (protocol.SENSE, ""),
        *checked(0x12345),
        *checked(zlib.crc32(struct.pack("<4I", 0, 2, 2, 2), 0x12345)),
        (15, ""),
        (protocol.BYE, ""),
    ]


def checked(promise: int) -> list[tuple[int, str]]:
    """A checked block for the inverter: 1 once, 0 twice, 0 once."""
    columns = [[1, 0, 0], [1] * 3, [0] * 3, [0] * 3, [2] * 3, [0] * 3, [1, 2, 1]]
    body = encode_planes(tuple(np.array(columns, dtype=np.uint32)))
    flags = protocol.CHECKED | protocol.REPEATS
    return [
        (protocol.LOAD, body.hex()),
        (protocol.BLOCK, struct.pack("<BHI", flags, 3, promise).hex()),
    ]


@needs_micropython
def test_both_interpreters_give_the_same_answers(tmp_path: Path) -> None:
    (tmp_path / "cases.json").write_text(json.dumps(cases()), encoding="utf-8")
    on_board, on_host = run_twice("generic", MODULES, SCENARIO, tmp_path)
    assert len(on_board) > 30
    assert on_board[0] == ["check value", 0xCBF43926]
    assert on_host == on_board
    answers = [line[1] for line in on_board if line[0] == "answer"]
    # worked out by hand: pins 0 to 3 are inverter in, inverter out, floating, held high
    block = bytes.fromhex(answers[4])[3:]
    assert block[:3] == bytes((3, 2, 4))
    began, *words = struct.unpack_from("<5I", bytes.fromhex(answers[7]), 6)
    assert (began, [word & 2 for word in words]) == (1 + 1 + 1 + 3 + 4 + 3, [0, 2, 2, 2])
    assert bytes.fromhex(answers[9])[3:] == b"\0\0\0"


@needs_micropython
def test_a_block_is_expanded_without_a_copy_of_its_body(tmp_path: Path) -> None:
    """A board has no room for copies: only a few small objects are allocated, for any rows."""
    for number, text in enumerate(texts(backend("generic"))):
        (tmp_path / f"text{number}.py").write_text(text, encoding="utf-8")
    random = np.random.default_rng(5).integers(0, 256, 512).astype(np.uint32)
    zero = np.zeros_like(random)
    body = encode_planes((random, zero, zero, random[::-1].copy(), zero, zero, zero + np.uint32(1)))
    (tmp_path / "cases.json").write_text(json.dumps(body.hex()), encoding="utf-8")
    script = f"""{ON_BOARD}
import binascii, gc, json
with open("cases.json") as file:
    coded = binascii.unhexlify(json.load(file))
body = bytearray(body_size(512))
body[:len(coded)] = coded
block = Block(512)
gc.collect()
gc.disable()
before = gc.mem_alloc()
block.load(body, 512)
print(gc.mem_alloc() - before, coded[-514])
"""
    taken, mode = run(script, tmp_path).split()
    assert int(mode) == protocol.PLAIN
    assert int(taken) < 4096

"""What the agent costs on MicroPython's own firmware: cycles of an emulated RP2040, loop by loop.

Run with ``python -m tests.bench.firmware FIRMWARE.uf2``, or put the path into the environment as
``HARNESS_FIRMWARE``. The firmware is MicroPython for the Raspberry Pi Pico; it is not part of this
project (how to build it stands in ``harness/agent/README.md``). The board itself takes the time,
by its own timer: 125 cycles to a microsecond. The emulator counts what a Cortex-M0+ takes for each
instruction and charges nothing for a flash that keeps the processor waiting, so silicon is rather
slower than this. Emulation takes 15 to 30 times as long as the board itself would.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Iterable
from pathlib import Path

from rp2040py.boards import BoardSpec
from rp2040py.device import MicroPythonDevice

from harness.agent.backends import backend, texts
from harness.agent.protocol import PULSES
from harness.board.encode import block_bounds, encode_bodies, match, plain_words, wire_fields
from harness.shuttle import load_shuttle
from harness.table import Pattern
from tests.bench.patterns import ROOT, work
from tests.bench.quiet_usb import quieten

ENVIRONMENT = "HARNESS_FIRMWARE"
CYCLES_A_US = 125
SECONDS = 600.0
"""How long one piece of work may take here."""
ROWS = 512
TABLES = ("alu181/exhaustive", "chachaqr/random", "spibank/mode0", "vgatiming/frame")
EXPANDED = (
    "expansion of a first block",
    "matches",
    "expansion",
    "matches of words",
    "expansion of words",
)
"""What is timed for a table; the tool's stream, then the words as they are, both as LZ4 blocks."""

TIMED = """
import binascii, gc, json, time
def clock(what, count):
    best = None
    for turn in range(3):
        gc.collect()
        began = time.ticks_us()
        what()
        took = time.ticks_diff(time.ticks_us(), began)
        best = took if best is None else min(best, took)
    return best / count
"""

LOOP = """
@micropython.viper
def @name@(drive, expect, pins, count: int) -> int:
    d = ptr32(drive)
    e = ptr32(expect)
    p = ptr32(int(pins))
    bad = 0
    i = 0
    while i < @end@:
        @write@
        if @wrong@:
            bad += 1
        i += @words@
    return bad
"""
"""Drives a vector of one word, or of two, and compares what is read."""
COMPARED = "p[4] = d[{at}]", ""
PULSED = "p[7] = (p[4] ^ d[{at}]) & 0x1ff", "p[5] = 0x100; p[6] = 0x100"
"""What is written for each word, and for the clock."""
LOOPS = """
from array import array
def by_register():
    for i in range(256):
        machine.mem32[0xd0000010] = drive[i]
        seen[i] = machine.mem32[0xd0000004]
def by_pins():
    for i in range(64):
        for k in range(8):
            pins[k].value(drive[i] >> k & 1)
        word = 0
        for k in range(8, 16):
            word |= pins[k].value() << k
        seen[i] = word
import machine
drive = array("I", range(1024))
expect = array("I", bytes(4096))
seen = array("I", bytes(4096))
pins = [machine.Pin(k, machine.Pin.OUT if k < 8 else machine.Pin.IN) for k in range(16)]
print(json.dumps({
    "viper: write, read, compare, count":
        clock(lambda: compared(drive, expect, 0xd0000000, 1024), 1024),
    "viper: masked write, clock pulse, read, compare":
        clock(lambda: pulsed(drive, expect, 0xd0000000, 1024), 1024),
    "viper: write, read, compare, count; two words":
        clock(lambda: compared_twice(drive, expect, 0xd0000000, 512), 512),
    "viper: masked write, clock pulse, read, compare; two words":
        clock(lambda: pulsed_twice(drive, expect, 0xd0000000, 512), 512),
    "machine.mem32 in plain Python": clock(by_register, 256),
    "16 machine.Pin calls": clock(by_pins, 64),
}))
"""

PACED = """
pins = Pins()
pins.bind(range(18))
engine = Engine(pins, 128)
pins.timing(0, 0, 0)
def fill_rows(pulse):
    for k in range(128):
        engine.block.drive[k] = (k * 0x9e3779b1 >> 8) & 0xff
        engine.block.enable[k] = 0x1ff
        engine.block.pulse[k] = pulse
        engine.block.care[k] = 0x3fe00
        engine.block.repeat[k] = 1
def one():
    engine.misses, engine.untils, engine.window = [], [], []
    engine.burst(engine.block, 128, 0)
found = {}
for name, pulse in (("pins_@name@, no pulse", 0), ("pins_@name@, with a clock pulse", 0x100)):
    fill_rows(pulse)
    engine.start(0, 0)
    found[name] = clock(one, 128)
pins.release()
print(json.dumps(found))
"""

EXACT = """
gc.collect()
at_first = gc.mem_free()
pins = Pins()
pins.bind(range(18))
engine = Engine(pins, pins.rows)
found = {"free before the buffers, bytes": at_first}
gc.collect()
found["free with all buffers, bytes"] = gc.mem_free()
found["rows of a block"] = engine.rows
rows = engine.rows
burst = pins.burst
def timed_burst(gap_free):
    global inside
    began = time.ticks_us()
    burst(gap_free)
    inside += time.ticks_diff(time.ticks_us(), began)
pins.burst = timed_burst
for k in range(rows):
    engine.block.drive[k] = k * 0x9e3779b1 >> 8 & 0xff
    engine.block.enable[k] = 0x1ff
    engine.block.care[k] = 0x3fe00
    engine.block.repeat[k] = 1
def one():
    engine.misses, engine.untils, engine.window = [], [], []
    pins.perform(engine, rows)
for name, pulse, ticks in (("no pulse", 0, 4), ("with a clock pulse", 0x100, 6)):
    for k in range(rows):
        engine.block.pulse[k] = pulse
    pins.timing(8 * ticks, 0, 0)
    engine.start(0, 0, @pulses@ if pulse else 0)
    inside = 0
    found["pins_rp2, " + name + ": laying out, burst, comparing"] = clock(one, rows)
    found["pins_rp2, " + name + ": of these the burst and its start"] = inside / rows / 3
    found["mismatches, " + name] = engine.bad
pins.release()
print(json.dumps(found))
"""

EXPAND = """
block = Block(@rows@)
plain = bytearray(body_size(@rows@))
other = Block(@rows@)
def copy():
    for k in range(7):
        copy_words(block.fields[k], other.fields[k], @rows@)
print(json.dumps({"copy of 7 words": clock(copy, @rows@)}))
"""

EXPAND_ONE = """
first = binascii.unhexlify("@first@")
coded = binascii.unhexlify("@coded@")
short = binascii.unhexlify("@short@")
found = {
    "expansion of a first block": clock(lambda: block.load(first, @rows@), @rows@),
    "expansion": clock(lambda: block.load(coded, @rows@), @rows@),
}
def unmatched(short):
    return lambda: unmatch(short, plain, array("I", [len(short), len(plain)]))
if short:
    found["matches"] = clock(unmatched(short), @rows@)
as_words = binascii.unhexlify("@words@")
found["matches of words"] = clock(unmatched(as_words), @rows@)
found["expansion of words"] = clock(lambda: block.load(plain, @rows@), @rows@)
print(json.dumps(found))
"""


def booted(firmware: Path) -> MicroPythonDevice:
    """A board that boots when it is entered, on a host that is silent when it has no data."""
    device = MicroPythonDevice(board=BoardSpec(image=firmware))
    quieten(device.cdc)
    return device


class Board:
    """An emulated board with its interpreter at the prompt."""

    def __init__(self, device: MicroPythonDevice) -> None:
        self._device = device

    async def run(self, text: str) -> dict[str, float]:
        """Execute a text; what it printed last, as JSON."""
        printed, failure = await self._device.aexec(text, SECONDS)
        if failure:
            sys.exit(f"the emulated board says: {failure.decode()}")
        lines = printed.decode().split("\n")
        return dict(json.loads(lines[-2])) if len(lines) > 1 else {}


def bodies(pattern: Pattern) -> tuple[bytes, ...]:
    """The first two blocks of a pattern; the second as an LZ4 block too, and its words as one.

    Where that makes it longer there is nothing.
    """
    fields = wire_fields(pattern)
    bounds = list(block_bounds(pattern, ROWS))[:2]
    first, coded = encode_bodies(fields, bounds)
    short = match(coded)
    words = plain_words(tuple(field[slice(*bounds[1])] for field in fields))
    return first, coded, short if len(short) < len(coded) else b"", match(words)


def loop(name: str, words: int, written: tuple[str, str]) -> str:
    """Return the text of a loop for vectors of so many words."""
    places = ("i", "i + 1")[:words]
    word, clock = written
    write = "; ".join([*(word.format(at=at) for at in places), *([clock] if clock else [])])
    wrong = " or ".join(f"(p[1] & 0x3fe00) ^ e[{at}]" for at in places)
    end = ("count", "2 * count")[words - 1]
    text = LOOP.replace("@name@", name).replace("@write@", write).replace("@wrong@", wrong)
    return text.replace("@end@", end).replace("@words@", str(words))


async def loops(firmware: Path) -> None:
    """Loops over pins, and the pins modules that software paces."""
    print("cycles a vector, eight pins out and eight in; whole modules nine and nine")
    for name in ("generic", "sio"):
        async with booted(firmware) as device:
            board = Board(device)
            await load(board, name)
            if name == "generic":
                for kind, written in (("compared", COMPARED), ("pulsed", PULSED)):
                    await board.run(loop(kind, 1, written) + loop(f"{kind}_twice", 2, written))
                tell(await board.run(LOOPS))
            tell(await board.run(PACED.replace("@name@", name)))


async def load(board: Board, name: str) -> None:
    """Put the agent onto the board, as the tool does."""
    await board.run(TIMED)
    for text in texts(backend(name)):
        await board.run(text)


def tell(found: dict[str, float]) -> None:
    """Print cycles for what took microseconds, and anything else as it is."""
    for name, figure in found.items():
        times = 1 if "bytes" in name or "rows" in name or "mismatches" in name else CYCLES_A_US
        print(f"  {name:<62}{figure * times:>10,.0f}", flush=True)


async def exact(firmware: Path) -> None:
    """The exact pins module and its memory."""
    async with booted(firmware) as device:
        board = Board(device)
        await load(board, "rp2")
        print("exact bursts, cycles a vector, and memory with the whole agent loaded")
        tell(await board.run(EXACT.replace("@pulses@", str(PULSES))))


async def expansion(firmware: Path, tables: Iterable[tuple[str, Pattern]]) -> None:
    """What expansion takes; a board with the buffers of exact bursts has no room for its texts."""
    async with booted(firmware) as device:
        board = Board(device)
        await load(board, "generic")
        print("expansion of a block, cycles a vector")
        tell(await board.run(EXPAND.replace("@rows@", str(ROWS))))
        for name, pattern in tables:
            text = EXPAND_ONE.replace("@rows@", str(ROWS))
            for mark, data in zip(
                ("first", "coded", "short", "words"), bodies(pattern), strict=True
            ):
                text = text.replace(f"@{mark}@", data.hex())
            found = await board.run(text)
            print(f" {name}")
            tell({what: found[what] for what in EXPANDED if what in found})


def main() -> int:
    """Print the figures."""
    given = os.environ.get(ENVIRONMENT) or (sys.argv[1] if len(sys.argv) == 2 else "")
    if not given.endswith(".uf2"):
        print(f"give the path of a firmware image (.uf2), here or as {ENVIRONMENT}")
        return 2
    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    tables = [(name, pattern) for name, _, pattern in work(shuttle) if name in TABLES]
    asyncio.run(loops(Path(given)))
    asyncio.run(exact(Path(given)))
    asyncio.run(expansion(Path(given), tables))
    return 0


if __name__ == "__main__":
    sys.exit(main())

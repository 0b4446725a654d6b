"""Does what the host commands: binds pins, loads blocks, runs them, compares, counts.

Knows vectors, not hardware: a whole burst is handed to the pins object at once. Knows commands,
not frames: ``server`` beside this file speaks the protocol.
"""

from __future__ import annotations

import binascii
import gc
import json
import struct
import sys
from array import array
from collections.abc import Callable, Sequence

from .buffers import compare, copy_row, count_up, tally, words
from .codec import Block, body_size
from .faces import Bytes, PinsFace, Words
from .protocol import (
    BIND,
    BLOCK,
    DEFLATED,
    HELLO,
    LOAD,
    MATCHED,
    MAX_KEPT,
    MAX_WINDOW,
    REPEATS,
    SENSE,
    START,
    TIMING,
    TOTALS,
    UNTIL,
    VERSION,
)
from .unpack import inflate, unmatch

AGENT = "1.1"
UNTIL_PART = 4096
"""Cycles of an ``until`` row after which the board looks up, if its pins do not do so before."""
MIN_ROWS = 32
ROW_BYTES = 138
"""Memory that a block needs for each of its vectors."""
HELD = ["block", "work", "seen", "floating", "wrong", "tested", "row_of", "pass_of", "body", "raw"]
"""What ``reserve`` takes."""


class Refused(Exception):
    """The host asked for what cannot be done; the text goes back to it behind ``kind``."""

    kind = b"refused"


class Aborted(Exception):
    """The host wants the burst to end."""


def fitting(rows: int, free: int) -> int:
    """Vectors of a block that leaves a third of ``free`` bytes to frames, answers and inflating.

    At most ``rows``, which is halved as often as it takes; ``MIN_ROWS`` are always tried.
    """
    while rows > MIN_ROWS and 3 * ROW_BYTES * rows > 2 * free:
        rows //= 2
    return rows


class Engine:
    """One board's state: its pins, its loaded block, and the counts of the present run."""

    def __init__(self, pins: PinsFace, rows: int = 1024) -> None:
        self.pins = pins
        self.look_up: Callable[[], None] | None = None
        self.rows = rows
        self.allocate()
        self.counts = words(32)
        self.loaded = 0
        self.start(0, 0)

    def allocate(self) -> None:
        """Take the memory for a block as large as fits; ``rows`` is 0 if none does.

        Memory may be in pieces, so that less fits than is free.
        """
        # What the upload left lies between: without this, half of a block was all that fitted on
        # an RP2040.
        gc.collect()
        self.free = gc.mem_free() if hasattr(gc, "mem_free") else None
        if self.free is not None:
            self.rows = fitting(self.rows, self.free)
        while self.rows:
            try:
                self.reserve(self.rows)
            except MemoryError:
                self.release_memory()
                self.rows = self.rows // 2 if self.rows > MIN_ROWS else 0
            else:
                return

    def release_memory(self) -> None:
        """Let go of everything that ``reserve`` took."""
        for name in HELD:
            setattr(self, name, None)
        gc.collect()

    def reserve(self, rows: int) -> None:
        """Take all memory that a block of ``rows`` vectors needs."""
        self.block = Block(rows)
        self.work = Block(rows)
        self.seen = words(rows)
        self.floating = words(rows)
        self.wrong = words(rows)
        self.tested = words(rows)
        self.row_of = words(rows)
        self.pass_of = words(rows)
        self.body = bytearray(body_size(rows))
        self.raw = bytearray(body_size(rows) + 64)

    def command(self, kind: int, payload: bytes | memoryview) -> bytes:
        """Do one command; return the payload of its answer."""
        if not self.rows:
            raise Refused(
                "the smallest block, of %d vectors, takes %d bytes, and the board has %s free, in "
                "pieces; take large modules out of its boot program"
                % (MIN_ROWS, MIN_ROWS * ROW_BYTES, self.free)
            )
        if kind == LOAD:
            return self.load(payload)
        if kind == BLOCK:
            return self.run_block(payload)
        if kind == START:
            self.start(*struct.unpack("<IIB", payload))
            return b""
        if kind == TOTALS:
            return self.totals()
        if kind == TIMING:
            return self.timing(payload)
        if kind == BIND:
            self.pins.bind(list(payload))
            return b""
        if kind == SENSE:
            return json.dumps(self.pins.sense(list(payload))).encode()
        if kind == HELLO:
            return self.hello()
        raise Refused("unknown command %d" % kind)

    def hello(self) -> bytes:
        """Say who answers and how much fits."""
        about = sys.implementation  # a tuple in MicroPython, an object with names in CPython
        name = about[0] if isinstance(about, tuple) else about.name
        version = about[1] if isinstance(about, tuple) else about.version
        facts = {
            "agent": AGENT,
            "protocol": VERSION,
            "interpreter": "%s %s" % (name, ".".join([str(part) for part in version[:3]])),
            "backend": self.pins.name,
            "exact": self.pins.exact,
            "board": self.pins.serial(),
            "rows": self.rows,
            "inflate": inflate is not None,
        }
        if self.pins.exact:
            facts["burst"] = self.pins.limits()
        return json.dumps(facts).encode()

    def timing(self, payload: bytes | memoryview) -> bytes:
        """Set the time of one cycle; say what it will be."""
        period, settle, sample = struct.unpack("<III", payload)
        achieved, parts = self.pins.timing(period, settle, sample)
        return struct.pack("<II", achieved, parts)

    def start(self, first: int, stop: int, manner: int = 0) -> None:
        """Begin a run: forget all counts; keep the words of cycles ``first`` to ``stop``.

        ``manner`` is made of ``GAP_FREE`` and ``PULSES``.
        """
        self.manner = manner
        self.before = self.pins.bursts
        self.pins.took()
        self.first = first
        self.stop = min(stop, first + MAX_WINDOW)
        self.cycle = 0
        self.bad = 0
        self.kept = 0
        self.crc = 0
        self.loaded = 0
        if self.rows:
            self.block.forget()
        for bit in range(32):
            self.counts[bit] = 0

    def load(self, payload: bytes | memoryview) -> bytes:
        """Append bytes to the body of the next block."""
        end = self.loaded + len(payload)
        if end > len(self.raw):
            raise Refused("block body of more than %d bytes" % len(self.raw))
        self.raw[self.loaded : end] = payload
        self.loaded = end
        return b""

    def totals(self) -> bytes:
        """What the run came to: counts, signature, pauses, time, the pins that were wrong."""
        cycles, bad = self.cycle & 0xFFFFFFFF, self.bad & 0xFFFFFFFF
        pauses = max(self.pins.bursts - self.before - 1, 0)
        answer = struct.pack("<IIIIQ", cycles, bad, self.crc, pauses, self.pins.took())
        for bit in range(32):
            if self.counts[bit]:
                answer += struct.pack("<BI", bit, self.counts[bit])
        return answer

    def run_block(self, payload: bytes | memoryview) -> bytes:
        """Run a block, whose last bytes come along; answer with what it gave.

        The answer lists mismatches, ``until`` rows and window words.
        """
        flags, count = struct.unpack("<BH", payload[:3])
        self.load(payload[3:])
        if count > self.rows:
            raise Refused("block of %d vectors, room for %d" % (count, self.rows))
        self.unpack(flags, count)
        self.found: list[tuple[int, ...]] = []
        self.untils: list[tuple[int, ...]] = []
        self.window: list[tuple[int, ...]] = []
        # Paced pins look up between cycles, by their own clock: while a block of slow cycles ran,
        # the host could neither be told nor stop it.
        self.pins.idle = self.look_up
        if self.pins.exact:
            self.pins.perform(self, count)
        elif flags & REPEATS:
            self.run_repeats(count)
        else:
            self.burst(self.block, count, 0)
        return self.answer()

    def unpack(self, flags: int, count: int) -> None:
        """Turn the loaded bytes into the block's words."""
        body: Bytes = memoryview(self.raw)[: self.loaded]
        self.loaded = 0
        if flags & DEFLATED:
            inflate(body, self.body)
            body = self.body
        elif flags & MATCHED:
            unmatch(body, self.body, array("I", [len(body), len(self.body)]))
            body = self.body
        self.block.load(body, count)

    def run_repeats(self, count: int) -> None:
        """Run a block in which rows stand for several cycles, or until outputs match."""
        block = self.block
        used = 0
        for row in range(count):
            repeat = block.repeat[row]
            if repeat & UNTIL:
                self.flush(used)
                used = 0
                self.run_until(row, repeat & 0x7FFFFFFF)
                continue
            done = 0
            while done < repeat:
                size = min(repeat - done, self.rows - used)
                self.place(row, done, used, size)
                used += size
                done += size
                if used == self.rows:
                    self.flush(used)
                    used = 0
        self.flush(used)

    def place(self, row: int, done: int, used: int, size: int) -> None:
        """Write ``size`` repetitions of a row into the work block."""
        where = array("I", [row, used, size])
        for k in range(6):
            copy_row(self.block.fields[k], self.work.fields[k], where)
        where[0] = done
        count_up(self.pass_of, where)
        self.row_of[used] = row
        if size > 1:
            where[0] = used
            copy_row(self.row_of, self.row_of, where)

    def flush(self, count: int) -> None:
        """Run what the work block holds."""
        if count:
            self.burst(self.work, count, -1)

    def burst(self, block: Block, count: int, row: int) -> None:
        """Run and compare ``count`` vectors; ``row`` is -1 where ``row_of`` says the row."""
        self.pins.run(block, count, self.seen, self.floating)  # type: ignore[union-attr]  # paced
        self.judge(block, 0, count, row, 0)

    def judge(self, block: Block, at: int, count: int, row: int, passed: int) -> None:
        """Compare what was read in ``count`` vectors; ``row`` as in ``burst``."""
        asked: Sequence[Words | memoryview] = (block.expect, block.care, block.highz)
        if at:  # the loop has four arguments already, and viper takes no fifth on ARM
            asked = [memoryview(field)[at:] for field in asked]
        bad = compare(asked, (self.seen, self.floating, self.wrong, self.tested), 0, count)
        self.crc = binascii.crc32(memoryview(self.tested)[:count], self.crc)
        if bad:
            self.bad += bad
            tally(self.wrong, self.counts, count)
            self.keep_mismatches(count, row, passed)
        if self.cycle < self.stop and self.cycle + count > self.first:
            self.keep_window(count, row, passed)
        self.cycle += count
        if self.look_up:
            self.look_up()

    def entry(self, k: int, row: int, passed: int) -> tuple[int, ...]:
        """Where cycle ``k`` of the burst stands in the block, and what was read there."""
        if row < 0:
            return (self.cycle + k, self.row_of[k], self.pass_of[k], self.seen[k], self.floating[k])
        return (self.cycle + k, row + k, passed, self.seen[k], self.floating[k])

    def keep_mismatches(self, count: int, row: int, passed: int) -> None:
        """Keep the first mismatches of the run."""
        k = 0
        while k < count and self.kept < MAX_KEPT:
            if self.wrong[k]:
                self.found.append(self.entry(k, row, passed) + (self.wrong[k],))
                self.kept += 1
            k += 1

    def keep_window(self, count: int, row: int, passed: int) -> None:
        """Keep every word read in the window."""
        for k in range(max(0, self.first - self.cycle), min(count, self.stop - self.cycle)):
            self.window.append(self.entry(k, row, passed))

    def run_until(self, row: int, limit: int) -> None:
        """Repeat a row until its outputs match; count only its last cycle's answer."""
        block = self.block
        vector = [block.fields[k][row] for k in range(5)]
        used = 0
        while True:
            part = min(limit - used, UNTIL_PART)
            took, seen, matched = self.pins.until(vector, part)
            used += took
            if matched or used >= limit:
                break
            if self.look_up:
                self.look_up()
        self.untils.append((row, used))
        self.cycle += used - 1
        self.seen[0] = seen
        self.floating[0] = 0
        self.judge(block, row, 1, row, used - 1)

    def answer(self) -> bytes:
        """The answer to a block: three counted lists."""
        parts = [struct.pack("<BBB", len(self.found), len(self.untils), len(self.window))]
        for entry in self.found:
            parts.append(struct.pack("<IHIIII", *entry))
        for entry in self.untils:
            parts.append(struct.pack("<HI", *entry))
        for entry in self.window:
            parts.append(struct.pack("<IHIII", *entry))
        self.found = self.untils = self.window = []
        return b"".join(parts)

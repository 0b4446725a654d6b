"""Carries out the host's commands: binds pins, loads blocks, runs them, compares, counts.

Knows vectors, not hardware: a whole burst is passed to the pins object at once. Knows commands,
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

from .buffers import compare, copy_row, count_up, fill, sum_masked, tally, words
from .codec import ALL_FIELDS, MIN_ROWS, PARTS, ROW_BYTES, Block, body_size, fitting
from .cpython import addressof
from .faces import Bytes, PinsFace, Words
from .protocol import (
    BIND,
    BLOCK,
    CHECKED,
    HELLO,
    LOAD,
    MATCHED,
    MAX_ANSWERS,
    MAX_KEPT,
    MAX_ROWS,
    MAX_WINDOW,
    REPEATS,
    SENSE,
    START,
    TIMING,
    TOTALS,
    UNTIL,
    VERSION,
)
from .unpack import unmatch

AGENT = "1.1"
UNTIL_PART = 4096
"""Cycles of an ``until`` row between looks at the host, where the pins do not look more often."""
HELD = ["block", "work", "seen", "floating", "wrong", "tested", "row_of", "pass_of", "body", "raw"]
"""The attributes that ``reserve`` sets."""


class Refused(Exception):
    """The host requested something impossible; the text is sent back to it after ``kind``."""

    kind = b"refused"


class Aborted(Exception):
    """The host ends the burst."""


class Engine:
    """One board's state: its pins, its loaded block, and the counts of the current run."""

    def __init__(self, pins: PinsFace, rows: int = 1024) -> None:
        self.pins = pins
        self.look_up: Callable[[], None] | None = None
        self.rows = rows
        self.allocate()
        self.counts = words(32)
        self.loaded = 0
        self.start(0, 0)

    def allocate(self) -> None:
        """Allocate the largest block that fits; ``rows`` is 0 if none does.

        Memory may be fragmented, so that less fits than is free.
        """
        # The upload leaves garbage in between: without this, only half a block fitted on an RP2040.
        gc.collect()
        self.free = gc.mem_free() if hasattr(gc, "mem_free") else None
        if self.free is not None:
            self.rows = fitting(self.rows, self.free, ROW_BYTES[self.pins.exact])
        while self.rows:
            try:
                self.reserve(self.rows)
                # Held only here: the last answers to blocks, and another in three stages.
                [bytearray(4 * self.rows + 512) for _ in range(3 + MAX_ANSWERS // (4 * MAX_ROWS))]
            except MemoryError:
                self.release_memory()
                self.rows = self.rows // 2 if self.rows > MIN_ROWS else 0
            else:
                return

    def release_memory(self) -> None:
        """Free everything that ``reserve`` allocated."""
        for name in HELD:
            setattr(self, name, None)
        gc.collect()

    def reserve(self, rows: int) -> None:
        """Allocate all memory for a block of ``rows`` vectors."""
        part = rows // PARTS if self.pins.exact else rows
        self.block = Block(rows)
        self.work = Block(part)
        self.seen = words(rows)
        self.floating = words(1 if self.pins.exact else rows)
        self.wrong = words(rows)
        self.tested = words(rows)
        self.row_of = words(part)
        self.pass_of = words(part)
        self.body = bytearray(body_size(rows))
        self.raw = bytearray(body_size(rows) + 64)

    def command(self, kind: int, payload: bytes | memoryview) -> bytes:
        """Carry out one command; return the payload of its answer."""
        if not self.rows:
            raise Refused(
                "the smallest block, of %d vectors, takes %d bytes, and the board has %s free, in "
                "pieces; take large modules out of its boot program"
                % (MIN_ROWS, MIN_ROWS * ROW_BYTES[self.pins.exact], self.free)
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
        """Return the board's identity and its limits."""
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
        }
        if self.pins.exact:
            facts["burst"] = self.pins.limits()
        return json.dumps(facts).encode()

    def timing(self, payload: bytes | memoryview) -> bytes:
        """Set the time of a cycle; return the time that it will be."""
        period, settle, sample = struct.unpack("<III", payload)
        achieved, parts = self.pins.timing(period, settle, sample)
        return struct.pack("<II", achieved, parts)

    def start(self, first: int, stop: int, manner: int = 0) -> None:
        """Begin a run: forget all counts; keep the words of cycles ``first`` to ``stop``.

        ``manner`` combines ``GAP_FREE`` and ``PULSES``.
        """
        self.checked = self.began = 0
        self.manner = manner
        self.before = self.pins.bursts
        self.pins.took()
        if not self.pins.exact:
            self.pins.also = -(stop > first)  # every bit, or none
        self.first = first
        self.stop = min(stop, first + MAX_WINDOW)
        self.cycle = self.bad = self.kept = self.crc = self.block_crc = self.loaded = 0
        if self.rows:
            self.block.forget()
        fill(addressof(self.counts), 0, 32)

    def load(self, payload: bytes | memoryview) -> bytes:
        """Append bytes to the body of the next block."""
        end = self.loaded + len(payload)
        if end > len(self.raw):
            raise Refused("block body of more than %d bytes" % len(self.raw))
        # MicroPython moves what follows a written slice, even by 0 bytes: let nothing follow.
        memoryview(self.raw)[self.loaded : end][:] = payload
        self.loaded = end
        return b""

    def totals(self) -> bytes:
        """Return the results of the run: counts, signature, pauses, time, wrong pins."""
        cycles, bad = self.cycle & 0xFFFFFFFF, self.bad & 0xFFFFFFFF
        pauses = max(self.pins.bursts - self.before - 1, 0)
        answer = struct.pack("<IIIIQ", cycles, bad, self.crc, pauses, self.pins.took())
        for bit in range(32):
            if self.counts[bit]:
                answer += struct.pack("<BI", bit, self.counts[bit])
        return answer

    def run_block(self, payload: bytes | memoryview) -> bytes:
        """Run a block, whose last bytes are in ``payload``; return its answer.

        The answer lists mismatches, ``until`` rows and window words.
        """
        flags, count = self.take_block(payload)
        self.misses: list[tuple[int, ...]] = []
        self.untils: list[tuple[int, ...]] = []
        self.window: list[tuple[int, ...]] = []
        # Paced pins call this between cycles, by their own clock: otherwise the host could neither
        # hear from nor stop a block of slow cycles.
        self.pins.idle = self.look_up
        if self.pins.exact:
            self.pins.perform(self, count)
        elif flags & REPEATS:
            self.run_repeats(count)
        else:
            self.burst(self.block, count, 0)
        if self.checked and not self.fulfilled(struct.unpack("<I", payload[3:7])[0]):
            if self.free is not None:  # a long answer needs room in one piece, several times
                gc.collect()
            words = bytes(memoryview(self.seen)[: self.cycle - self.began])
            return self.answer() + struct.pack("<I", self.began) + words
        return self.answer()

    def take_block(self, payload: bytes | memoryview) -> tuple[int, int]:
        """Expand a block, whose last bytes are in ``payload``; return its flags and vectors."""
        flags, count = struct.unpack("<BH", payload[:3])
        self.checked = flags & CHECKED
        self.began = self.cycle
        if count > self.rows:
            raise Refused("block of %d vectors, room for %d" % (count, self.rows))
        body = memoryview(payload)[7 if self.checked else 3 :]
        if self.loaded:
            self.load(body)
            body = memoryview(self.raw)[: self.loaded]
            self.loaded = 0
        self.unpack(body, flags, count)
        return flags, count

    def unpack(self, body: Bytes, flags: int, count: int) -> None:
        """Decompress a body; expand it, or let exact pins do that as they need it."""
        if flags & MATCHED:
            unmatch(body, self.body, array("I", [len(body), len(self.body)]))
            body = self.body
        self.block.open(body, count)
        if not self.pins.exact:
            self.block.fill(ALL_FIELDS)

    def run_repeats(self, count: int) -> None:
        """Run a block whose rows run for several cycles, or until outputs match."""
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
                size = min(repeat - done, self.work.size - used)
                self.place(row, done, used, size)
                used += size
                done += size
                if used == self.work.size:
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
        """Run the work block."""
        if count:
            self.burst(self.work, count, -1)

    def burst(self, block: Block, count: int, row: int) -> None:
        """Run and compare ``count`` vectors from ``row``; -1: ``row_of`` has their rows."""
        self.pins.run(block, count, self.seen, self.floating)  # type: ignore[union-attr]  # paced
        self.judge(block, 0, count, row, 0)

    def fulfilled(self, promised: int) -> bool:
        """Whether the words read in a checked block had the CRC that the host expects."""
        crc = self.block_crc
        self.block_crc = promised
        return crc == promised

    def words_at(self, count: int) -> Words | memoryview:
        """Return the place for the next ``count`` words read: a checked block keeps all its own."""
        used = self.cycle - self.began
        if not (self.checked and used):
            return self.seen
        if used + count > self.rows:
            raise Refused("checked block of more than %d cycles" % self.rows)
        return memoryview(self.seen)[used:]

    def judge(self, block: Block, at: int, count: int, row: int, passed: int) -> None:
        """Take the words read in ``count`` vectors; ``row`` as in ``burst``."""
        if self.checked:
            self.sum_words(memoryview(block.care)[at:] if at else block.care, count)
        else:
            self.compare_words(block, at, count, row, passed)
        if self.cycle < self.stop and self.cycle + count > self.first:
            self.keep_window(count, row, passed)
        self.go_on(count)

    def go_on(self, count: int) -> None:
        """Count cycles; look at the host."""
        self.cycle += count
        if self.look_up:
            self.look_up()

    def sum_words(self, care: Words | memoryview, count: int) -> None:
        """Add the levels read on tested pins to the CRCs of the run and of checked blocks."""
        # The two are equal while all blocks are checked and as expected: one is worked out then.
        seen, before = self.words_at(count), self.crc
        self.crc = crc = sum_masked(seen, care, self.tested, count, before)
        if self.checked and before != self.block_crc:
            crc = sum_masked(seen, care, self.tested, count, self.block_crc)
        if self.checked:
            self.block_crc = crc

    def compare_words(self, block: Block, at: int, count: int, row: int, passed: int) -> None:
        """Compare words as in ``judge``; count and keep those that differ."""
        want: Sequence[Words | memoryview] = (block.expect, block.care, block.highz)
        if at:  # the loop has four arguments already, and viper takes no fifth on ARM
            want = [memoryview(field)[at:] for field in want]
        bad = compare(want, (self.seen, self.floating, self.wrong, self.tested), 0, count)
        self.crc = binascii.crc32(memoryview(self.tested)[:count], self.crc)
        if bad:
            self.bad += bad
            tally(self.wrong, self.counts, count)
            self.keep_mismatches(count, row, passed)

    def entry(self, k: int, row: int, passed: int) -> tuple[int, ...]:
        """Return the place of cycle ``k`` of the burst in the block, and the words read there."""
        cycle = self.cycle + k
        seen = self.seen[cycle - self.began if self.checked else k]
        # Exact pins test for high impedance in the first cycle of a burst only.
        floating = self.floating[k] if k < len(self.floating) else 0
        if row < 0:
            return (cycle, self.row_of[k], self.pass_of[k], seen, floating)
        return (cycle, row + k, passed, seen, floating)

    def keep_mismatches(self, count: int, row: int, passed: int) -> None:
        """Keep the first mismatches of the run."""
        k = 0
        while k < count and self.kept < MAX_KEPT:
            if self.wrong[k]:
                self.misses.append(self.entry(k, row, passed) + (self.wrong[k],))
                self.kept += 1
            k += 1

    def keep_window(self, count: int, row: int, passed: int) -> None:
        """Keep every word read in the window."""
        for k in range(max(0, self.first - self.cycle), min(count, self.stop - self.cycle)):
            self.window.append(self.entry(k, row, passed))

    def run_until(self, row: int, limit: int) -> None:
        """Repeat a row until its outputs match; judge only its last cycle."""
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
        """Return the answer to a block: three counted lists."""
        parts = [struct.pack("<BBB", len(self.misses), len(self.untils), len(self.window))]
        lists = (("<IHIIII", self.misses), ("<HI", self.untils), ("<IHIII", self.window))
        for layout, entries in lists:
            for entry in entries:
                parts.append(struct.pack(layout, *entry))
        self.misses = self.untils = self.window = []
        return b"".join(parts)

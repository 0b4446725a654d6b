"""Cuts a block into bursts for the RP2040 and lays each out in memory for the DMA.

One rule: within a burst nothing waits for software; anything that needs software (new directions,
weak pulls, rows that wait for their outputs, full memory) ends it, and ``why`` names it.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence

from .buffers import words
from .codec import (
    FIELD_CARE,
    FIELD_DRIVE,
    FIELD_ENABLE,
    FIELD_EXPECT,
    FIELD_HIGHZ,
    FIELD_PULSE,
    FIELD_REPEAT,
    Block,
)
from .cpython import addressof
from .faces import RoomFace, Words
from .planes import add_bits, begin_words, fill_table
from .protocol import UNTIL
from .rp2_chip import (
    AFTER_GET,
    AFTER_SEND,
    DMA_ON,
    PACE_RX,
    PACE_TX,
    PIO_RXF,
    PIO_TXF,
    READ_PAIR,
    cross,
)
from .rp2_stream import (
    EDGE,
    MIN_LOOP,
    Chain,
    add_pairs,
    begin_pairs,
    cross_words,
    lay_words,
    plain_rows,
)
from .rp2040 import STEP_READ, STEP_WRITE

LOOPS = 32
"""Maximum number of repeated rows in a burst that take no memory for their repetitions."""
SEND_STEP = DMA_ON | PACE_TX | AFTER_SEND | STEP_READ
SEND_SAME = DMA_ON | PACE_TX | AFTER_SEND
SEND_PAIR = DMA_ON | PACE_TX | AFTER_SEND | READ_PAIR
GET_STEP = DMA_ON | PACE_RX | AFTER_GET | STEP_WRITE
GET_SAME = DMA_ON | PACE_RX | AFTER_GET
MAX_COUNT = (1 << 28) - 1
"""Maximum number of words in a stretch: an RP2350's transfer count has 28 bits."""
BLOCKS = 4 * (2 * LOOPS + 2)
"""Words of the control blocks of one channel."""


class BurstPlan:
    """One burst at a time: its words, its control blocks, and its rows.

    ``pieces`` has for each stretch: first row, repetition of it, cycles, whether they are
    captured, and whether they are different rows rather than one row repeated.
    """

    def __init__(self, bus: RoomFace, stream: int, capture: int) -> None:
        self.max_words = stream
        self.max_kept = capture
        self.stream, self.stream_at = bus.room(stream)
        self.room_at = addressof(self.stream)
        self.capture, self.capture_at = bus.room(capture + 1)
        self.sending, self.sending_at = bus.room(BLOCKS)
        self.getting, self.getting_at = bus.room(BLOCKS)
        self.send = Chain(2 * LOOPS + 1)
        self.get = Chain(2 * LOOPS + 1)
        self.enable = 0
        self.ways: list[dict[int, Words]] = []
        self.clear()

    def clear(self) -> None:
        """Forget the burst."""
        self.pieces: list[tuple[int, int, int, int, int]] = []
        self.send.clear()
        self.get.clear()
        self.used = 0
        self.kept = 0
        self.cycles = 0
        self.picked = 0
        self.pull = 0
        self.why = ""
        self.straight = (0, 0)

    def goes_straight(self, block: Block, two: int) -> bool:
        """Whether a block is a single burst of rows that run once and need no software."""
        steady = not block.varying & (1 << FIELD_ENABLE | 1 << FIELD_HIGHZ | 1 << FIELD_REPEAT)
        once = steady and block.level[FIELD_REPEAT] == 1 and not block.level[FIELD_HIGHZ]
        return once and 0 < two * block.count <= self.max_words and block.count <= self.max_kept

    def lay_straight(self, block: Block, table: Sequence[int], two: int) -> None:
        """Lay out such a block: planes become words to the pins without a look at rows.

        ``table`` and ``two``, the words a row, are as in ``lay_out``.
        """
        if block.fresh:
            level, pulsed = (
                block.level[FIELD_DRIVE],
                block.level[FIELD_DRIVE] ^ block.level[FIELD_PULSE],
            )
            self.start: tuple[int, ...] = (cross(table, level), cross(table, pulsed))
            self.row_words = two
            self.laid = block
            if self.ways is not block.ways:
                self.ways = block.ways
                self.crossed = [self.cross_plane(ways, table) for ways in block.ways]
            self.lanes = (begin_pairs, add_pairs) if two == 2 else (begin_words, add_bits)
            block.fill((FIELD_EXPECT, FIELD_CARE, FIELD_HIGHZ), self.lay_plane)
            if self.start:
                self.look_up((words(8), words(8)), 8, addressof(block.plane))
            self.enable = block.level[FIELD_ENABLE]
        self.picked = 0
        if self.straight != (block.count, two):
            self.clear()
            self.straight = (block.count, two)
            self.add_words(block.count)
            self.pieces.append((0, 0, block.count, 1, 1))
            self.write()

    def cross_plane(self, ways: dict[int, Words], table: Sequence[int]) -> tuple[Words, Words]:
        """What the bits of a plane do to levels and to pulsed levels, in controller order."""
        level, pulsed = words(8), words(8)
        if FIELD_DRIVE in ways:
            cross_words(ways[FIELD_DRIVE], level, table, 8)
        if FIELD_PULSE in ways:
            cross_words(ways[FIELD_PULSE], pulsed, table, 8)
        for bit in range(8):
            pulsed[bit] ^= level[bit]
        return level, pulsed

    def lay_plane(self, number: int, width: int, plane: int) -> None:
        """Turn an expanded plane into words to the pins."""
        if FIELD_DRIVE in self.ways[number] or FIELD_PULSE in self.ways[number]:
            self.look_up(self.crossed[number], width, plane)

    def look_up(self, bits: tuple[Words, Words], width: int, plane: int) -> None:
        """Begin or change the words to the pins by the bits of a plane."""
        block = self.laid
        level, pulsed = self.start or (0, 0)
        fill_table(block.table_at, level, bits[0], width)
        if self.row_words == 2:
            fill_table(block.table_at + 1024, pulsed, bits[1], width)
        self.lanes[not self.start](plane, self.room_at, block.table, block.count)
        self.start = ()

    def lay_out(
        self,
        block: Block,
        start: tuple[int, int],
        table: Sequence[int],
        span: tuple[int, int, int, int],
    ) -> tuple[int, int]:
        """Lay out the burst that begins at ``start``, (row, repetition); return where it ends.

        ``table`` moves bits into controller order. ``span`` is: rows in the block, words a row,
        and the range of cycles (first, stop), from here, that must be captured in any case.
        """
        self.clear()
        count, self.row_words, self.first, self.stop = span
        self.buffers = (block.drive, block.pulse, self.stream, table)
        row, done = start
        self.enable = enable = block.enable[row]
        while row < count and not self.why:
            if not block.repeat[row]:
                row += 1
                continue
            self.why = self.obstacle(block, row, enable)
            if self.why:
                break
            size = self.part(block, row, done, count)
            if not size:
                self.why = "memory for %d words and %d captured cycles is full" % (
                    self.max_words,
                    self.max_kept,
                )
            elif block.repeat[row] == 1:
                row += size
            else:
                done += size
                if done == block.repeat[row]:
                    row += 1
                    done = 0
        self.write()
        return row, done

    def write(self) -> None:
        """Write the control blocks."""
        self.send.write(self.sending, PIO_TXF, (0, 1))
        self.get.write(self.getting, PIO_RXF, (1, 0))

    def obstacle(self, block: Block, row: int, enable: int) -> str:
        """Return what keeps a row out of this burst, or an empty text."""
        if block.repeat[row] & UNTIL:
            return "a row waits until its outputs match"
        if block.enable[row] != enable:
            return "pins change direction"
        if self.pull or (block.highz[row] and self.cycles):
            return "a row tests for high impedance"
        return ""

    def part(self, block: Block, row: int, done: int, count: int) -> int:
        """Lay out as much as fits from a row on; return rows, or repetitions of this row."""
        left = block.repeat[row] - done
        if block.highz[row]:
            self.pull = block.highz[row]
            return self.inline(row, done, 1, 0)
        if left == 1 and done == 0:
            columns = (block.enable, block.highz, block.repeat)
            return self.inline(row, 0, plain_rows(columns, row, count), 1)
        if block.care[row]:
            return self.repeated(row, done, left, 1)
        now = self.cycles
        if now >= self.stop or now + left <= self.first:
            return self.repeated(row, done, left, 0)
        if now < self.first:
            return self.repeated(row, done, self.first - now, 0)
        return self.repeated(row, done, min(left, self.stop - now), 1)

    def room(self) -> int:
        """The number of captured cycles that still fit."""
        return min(self.max_kept - self.kept, (self.max_words - self.used) // self.row_words)

    def inline(self, row: int, done: int, size: int, step: int) -> int:
        """Lay out ``size`` single cycles, of as many rows (``step`` 1) or of one row (0)."""
        size = min(size, self.room())
        if size:
            # An array, since viper functions take four arguments at most on ARM (py/emitnative.c).
            lay_words(self.buffers, array("I", [row, size, self.used, self.row_words, step]))
            self.add_words(size)
            self.pieces.append((row, done, size, 1, step))
        return size

    def add_words(self, size: int) -> None:
        """Send the words of ``size`` cycles that were laid out last, and capture them."""
        self.send.add(self.stream_at + 4 * self.used, size * self.row_words, SEND_STEP, 4)
        self.used += size * self.row_words
        self.keep(size)

    def keep(self, size: int) -> None:
        """Capture ``size`` cycles."""
        self.get.add(self.capture_at + 4 * self.kept, size, GET_STEP, 4)
        self.kept += size
        self.cycles += size

    def repeated(self, row: int, done: int, size: int, tested: int) -> int:
        """Lay out repetitions of a row; many, as the same words read again and again."""
        if size < MIN_LOOP or self.send.full() or self.get.full():
            return self.inline(row, done, size, 0)
        size = min(size, MAX_COUNT // self.row_words)
        if tested:
            size = min(size, self.max_kept - self.kept)
        if size < MIN_LOOP or self.room() < 2 * EDGE:
            return self.inline(row, done, size, 0)
        middle = size - 2 * EDGE
        self.inline(row, done, EDGE, 0)
        address = self.stream_at + 4 * (self.used - self.row_words)
        same = SEND_PAIR if self.row_words == 2 else SEND_SAME
        self.send.add(address, middle * self.row_words, same, 0)
        if tested:
            self.keep(middle)
        else:
            # Read all the same, into a spare word: with a full queue, autopush stalls the machine
            # (RP2040 datasheet 3.5.4).
            self.get.add(self.capture_at + 4 * self.max_kept, middle, GET_SAME, 0)
            self.cycles += middle
        self.pieces.append((row, done + EDGE, middle, tested, 0))
        self.inline(row, done + EDGE + middle, EDGE, 0)
        return size

    def edge_levels(self) -> tuple[int, int]:
        """The first and the last levels of the burst, in controller order."""
        return self.stream[0], self.stream[self.used - self.row_words]

    def pick(self, target: Words | memoryview, size: int, table: Sequence[int]) -> None:
        """Put the next ``size`` captured words, in the host's order of bits, into ``target``."""
        source = memoryview(self.capture)[self.picked :] if self.picked else self.capture
        cross_words(source, target, table, size)
        self.picked += size

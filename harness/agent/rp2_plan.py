"""Cuts a block into bursts for the RP2040 and lays each out in memory for the DMA.

One rule: within a burst nothing waits for software; anything that needs software (new directions,
weak pulls, rows that wait for their outputs, full memory) ends it, and ``why`` names it.
"""

from __future__ import annotations

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
    short_rows,
    spread,
    spread_pairs,
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

    ``pieces`` has for each stretch: first row, rows, repetition of the first, cycles, and whether
    they are captured. One of several rows has all their repetitions, ``most`` cycles at most.
    """

    def __init__(self, bus: RoomFace, stream: int, capture: int) -> None:
        self.max_words = stream
        self.max_kept = capture
        self.stream, self.stream_at = bus.room(stream)
        self.room_at = addressof(self.stream)
        self.capture, self.capture_at = bus.room(capture + 1)
        self.crossed_at = addressof(self.capture)
        self.sending, self.sending_at = bus.room(BLOCKS)
        self.getting, self.getting_at = bus.room(BLOCKS)
        self.send = Chain(self.sending, 2 * LOOPS + 1, PIO_TXF, (0, 1))
        self.get = Chain(self.getting, 2 * LOOPS + 1, PIO_RXF, (1, 0))
        self.job = words(3)
        self.once = addressof(self.job) + 8
        self.enable = 0
        self.ways: list[dict[int, Words]] = []
        self.clear()

    def clear(self) -> None:
        """Forget the burst."""
        self.pieces: list[list[int]] = []
        self.whole: int | bool = 0
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
            self.note(0, block.count, 0, block.count)
            self.close()

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
        self.most = min(block.size, self.max_words // 2)
        self.laid = block
        self.table = table
        self.drive, self.pulse = addressof(block.drive), addressof(block.pulse)
        row, done = start
        self.enable = enable = block.enable[row]
        while row < count and not self.why:
            if not block.repeat[row]:
                row += 1
                continue
            self.why = self.obstacle(block, row, enable)
            if self.why:
                break
            size = 0 if done else self.short(block, row, count - row)
            if size:
                row += size
                continue
            size = self.part(block, row, done)
            if not size:
                self.why = "memory for %d words and %d captured cycles is full" % (
                    self.max_words,
                    self.max_kept,
                )
            else:
                done += size
                if done == block.repeat[row]:
                    row += 1
                    done = 0
        self.close()
        return row, done

    def close(self) -> None:
        """End the lists of control blocks."""
        self.send.close()
        self.get.close()

    def obstacle(self, block: Block, row: int, enable: int) -> str:
        """Return what keeps a row out of this burst, or an empty text."""
        if block.repeat[row] & UNTIL:
            return "a row waits until its outputs match"
        if block.enable[row] != enable:
            return "pins change direction"
        if self.pull or (block.highz[row] and self.cycles):
            return "a row tests for high impedance"
        return ""

    def short(self, block: Block, row: int, left: int) -> int:
        """Lay out as many whole rows as follow without a wait and are short; return how many."""
        job, fits = self.job, min(self.room(), self.most)
        # The words of each row stand in the memory for captured ones until they are spread.
        job[0], job[1] = min(left, self.max_kept // self.row_words), fits
        at = 4 * row
        repeat = addressof(block.repeat) + at
        rows = short_rows(addressof(block.enable) + at, addressof(block.highz) + at, repeat, job)
        if rows:
            size = fits - job[1]
            self.lay(row, rows, repeat, size)
            self.note(row, rows, 0, size)
        return rows

    def part(self, block: Block, row: int, done: int) -> int:
        """Lay out as many repetitions of a row as fit; return how many."""
        left = block.repeat[row] - done
        if block.highz[row]:
            self.pull = block.highz[row]
            return self.inline(row, done, 1)
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

    def note(self, row: int, rows: int, done: int, size: int, kept: int = 1) -> None:
        """Note cycles laid out; whole rows join those before."""
        whole = kept and not done and (rows > 1 or size == self.laid.repeat[row])
        if whole and self.whole:
            last = self.pieces[-1]
            if last[0] + last[1] == row and last[3] + size <= self.most:
                last[1] += rows
                last[3] += size
                return
        self.whole = whole
        self.pieces.append([row, rows, done, size, kept])

    def inline(self, row: int, done: int, size: int) -> int:
        """Lay out ``size`` cycles of a row one by one."""
        size = min(size, self.room())
        if size:
            self.lay_row(row, size)
            self.note(row, 1, done, size)
        return size

    def lay_row(self, row: int, size: int) -> None:
        """Write the words of ``size`` repetitions of a row."""
        self.job[2] = size
        self.lay(row, 1, self.once, size)

    def lay(self, row: int, rows: int, repeat: int, size: int) -> None:
        """Write the words of rows, each as often as ``repeat`` says: ``size`` cycles."""
        levels = self.crossed_at
        to = self.room_at + 4 * self.used
        cross_words(self.drive + 4 * row, levels, self.table, rows)
        if self.row_words == 2:
            cross_words(self.pulse + 4 * row, levels + 4 * rows, self.table, rows)
            self.job[0], self.job[1] = rows, 4 * rows
            spread_pairs(levels, to, repeat, self.job)
        else:
            spread(levels, to, repeat, rows)
        self.add_words(size)

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
            return self.inline(row, done, size)
        size = min(size, MAX_COUNT // self.row_words)
        if tested:
            size = min(size, self.max_kept - self.kept)
        if size < MIN_LOOP or self.room() < 2 * EDGE:
            return self.inline(row, done, size)
        middle = size - 2 * EDGE
        self.lay_row(row, EDGE)
        address = self.stream_at + 4 * (self.used - self.row_words)
        same = SEND_PAIR if self.row_words == 2 else SEND_SAME
        self.send.add(address, middle * self.row_words, same, 0)
        if tested:
            self.keep(middle)
            self.note(row, 1, done, size)
        else:
            # Read all the same, into a spare word: with a full queue, autopush stalls the machine
            # (RP2040 datasheet 3.5.4).
            self.get.add(self.capture_at + 4 * self.max_kept, middle, GET_SAME, 0)
            self.cycles += middle
            self.note(row, 1, done, EDGE)
            self.note(row, 1, done + EDGE, middle, 0)
            self.note(row, 1, done + EDGE + middle, EDGE)
        self.lay_row(row, EDGE)
        return size

    def edge_levels(self) -> tuple[int, int]:
        """The first and the last levels of the burst, in controller order."""
        return self.stream[0], self.stream[self.used - self.row_words]

    def pick(self, target: Words | memoryview, size: int, table: Sequence[int]) -> None:
        """Put the next ``size`` captured words, in the host's order of bits, into ``target``."""
        source = memoryview(self.capture)[self.picked :] if self.picked else self.capture
        cross_words(source, target, table, size)
        self.picked += size

    def spread_tests(self, row: int, rows: int, size: int) -> tuple[int, int]:
        """Return the addresses of care and expect for ``size`` cycles of rows, of one or whole.

        They are in the memory for words to the pins, which have gone there.
        """
        block, at = self.laid, 4 * row
        repeat = addressof(block.repeat) + at
        if rows == 1:
            repeat = self.once
            self.job[2] = size
        care = self.room_at
        expect = care + 4 * size
        spread(addressof(block.care) + at, care, repeat, rows)
        spread(addressof(block.expect) + at, expect, repeat, rows)
        return care, expect

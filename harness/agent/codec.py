"""A block of vectors: the arrays that hold it on the board, and how they are filled.

A layout says which bits of which words vary in a run, and in which column each is sent; eight
columns are a plane, one byte per vector. All other bits keep their level from the layout and cost
neither bytes nor time. This folder's README has the format of a body. Only this module writes
these arrays: parts that a block does not change are still those of the block before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .buffers import copy_words, fill, words
from .cpython import addressof
from .faces import Bytes, Words
from .planes import add_bits, begin_words, fill_table, take_bytes, turn, undo_sum, undo_xor
from .protocol import CONSTANT, FIELDS, LAYOUT, PLAIN, PLANES, SAME, SUB, TURNED, WORDS

MAX_PLANES = 6
"""Maximum number of planes of a block of full size."""
ALL_FIELDS = range(len(FIELDS))
FIELD_DRIVE, FIELD_ENABLE, FIELD_PULSE, FIELD_EXPECT, FIELD_CARE, FIELD_HIGHZ, FIELD_REPEAT = (
    ALL_FIELDS
)

MIN_ROWS = 32
PARTS = 16
"""Exact pins bring the repetitions of a row in parts: a block holds this many."""
ROW_BYTES = (94, 56)
"""Bytes of memory that a block needs for each vector, with paced and with exact pins."""


class Block:
    """Room for ``size`` vectors; the arrays are reused.

    ``open`` looks at a body, ``fill`` writes words. ``level`` has the word of each field that does
    not vary. ``moving`` has the planes that vary: number, width, where it begins in the body.
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self.fields = [words(size) for _ in FIELDS]
        self.drive, self.enable, self.pulse = self.fields[:3]
        self.expect, self.care, self.highz, self.repeat = self.fields[3:]
        self.filled: list[int | None] = [None] * len(FIELDS)
        self.base = words(len(FIELDS))
        self.level = words(len(FIELDS))
        self.known = self.fresh = False
        self.varying = 0
        self.body: Bytes = b""
        self.count = 0
        self.widths: list[int] = []
        self.ways: list[dict[int, Words]] = []
        self.moving: list[tuple[int, int, int]] = []
        self.plane = words((size + 7) // 4 + 1)
        self.table = words(512)
        self.table_at = addressof(self.table)

    def forget(self) -> None:
        """Forget the layout: a new run must send its own."""
        self.known = False

    def load(self, body: Bytes, count: int) -> None:
        """Fill the first ``count`` vectors from a block's body, already inflated."""
        self.open(body, count)
        self.fill(ALL_FIELDS)

    def open(self, body: Bytes, count: int) -> None:
        """Find what varies in a body, which must stay as it is until the words are filled."""
        body = memoryview(body)  # slices of bytes are copies, and there may be no room for one
        opening = body[0]
        if not self.known and opening in (PLANES, SAME):
            raise ValueError("block without a layout")
        if opening == SAME:
            return
        self.body = body
        self.count = count
        if opening == PLANES:
            self.find_moving(1)
        elif opening == LAYOUT:
            self.find_moving(self.load_layout(body))
        elif opening == WORDS:
            self.load_words(body, count)
        else:
            raise ValueError("block that begins with %d" % opening)

    def load_words(self, body: Bytes, count: int) -> None:
        """Copy plain words, field by field."""
        at = 1
        for k in ALL_FIELDS:
            take_bytes(addressof(body) + at, addressof(self.fields[k]), 4 * count)
            at += 4 * count
            self.filled[k] = None
        self.fresh = False
        self.varying = -1

    def load_layout(self, body: Bytes) -> int:
        """Read where the columns go; return where the planes begin.

        ``ways`` has, for each plane, the fields it changes and what each of its bits does to a
        word.
        """
        take_bytes(addressof(body) + 1, addressof(self.base), 4 * len(FIELDS))
        at = 1 + 4 * len(FIELDS)
        columns = body[at]
        end = at + 2 + 4 * body[at + 1]
        self.known = True
        self.widths = [min(8, columns - first) for first in range(0, columns, 8)]
        self.ways = [{} for _ in self.widths]
        for piece in range(at + 2, end, 4):
            column = body[piece]
            bits = self.ways[column >> 3].setdefault(body[piece + 1], words(8))
            for k in range(body[piece + 3]):
                bits[(column & 7) + k] |= 1 << (body[piece + 2] + k)
        return end

    def find_moving(self, at: int) -> None:
        """Take the planes that begin at ``at``: those that vary, and the levels of the others."""
        body = self.body
        copy_words(self.base, self.level, len(FIELDS))
        self.moving = []
        self.varying = 0
        self.fresh = True
        for number in range(len(self.widths)):
            mode, width = body[at], self.widths[number]
            if mode == CONSTANT:
                self.settle(self.ways[number], body[at + 1])
                at += 2
            else:
                self.moving.append((number, width, at))
                for k in self.ways[number]:
                    self.varying |= 1 << k
                at += 2 + (width * ((self.count + 7) // 8) if mode & TURNED else self.count)

    def settle(self, ways: dict[int, Words], byte: int) -> None:
        """Apply to the levels a plane that is the same for every vector of the block."""
        for k, bits in ways.items():
            for bit in range(8):
                if byte >> bit & 1:
                    self.level[k] ^= bits[bit]

    def fill(
        self, wanted: Sequence[int], lane: Callable[[int, int, int], None] | None = None
    ) -> None:
        """Write the words of the fields ``wanted``; ``lane`` gets each expanded plane.

        It is called with the plane's number, its width and its address. A body is filled once.
        """
        if not self.fresh:
            return
        self.fresh = False
        begun = 0
        for number, width, at in self.moving:
            plane = self.expand_plane(self.body, at, self.count, width)
            for k, bits in self.ways[number].items():
                if k in wanted:
                    first = not begun >> k & 1
                    fill_table(self.table_at, self.level[k] if first else 0, bits, width)
                    look_up = begin_words if first else add_bits
                    look_up(plane, addressof(self.fields[k]), self.table, self.count)
                    begun |= 1 << k
            if lane:
                lane(number, width, plane)
        for k in wanted:
            self.hold(k, None if begun >> k & 1 else self.level[k])

    def hold(self, k: int, level: int | None) -> None:
        """Note the content of field ``k``, None if its bits vary; fill it with a new level."""
        if level is not None and self.filled[k] != level:
            fill(addressof(self.fields[k]), level, self.size)
        self.filled[k] = level

    def expand_plane(self, body: Bytes, at: int, count: int, width: int) -> int:
        """Return the address of the expanded plane at ``at``, one byte per vector."""
        mode = body[at]
        source = addressof(body) + (at + 2)
        if mode == PLAIN:
            return source
        plane = addressof(self.plane)
        if mode & TURNED:
            groups = (count + 7) // 8
            fill(plane, 0, 2 * groups)
            for column in range(width):
                turn(source + column * groups, plane, column, groups)
            source = plane
        if mode & 3 == SUB:
            undo_sum(source, plane, 0, count)
        elif mode & 3 != PLAIN:
            back = min(body[at + 1], count)
            take_bytes(source, plane, back)
            undo_xor(source + back, plane + back, plane, count - back)
        return plane


def body_size(count: int) -> int:
    """Return the maximum size of the body of a block of ``count`` vectors, in bytes.

    That is any layout, with ``MAX_PLANES`` planes: the host sends fewer vectors if there are more.
    """
    return 1280 + MAX_PLANES * count


def fitting(rows: int, free: int, each: int) -> int:
    """Halve ``rows``, of ``each`` bytes, until a block leaves a third of ``free`` to frames.

    Returns at least ``MIN_ROWS``.
    """
    while rows > MIN_ROWS and 3 * each * rows > 2 * free:
        rows //= 2
    return rows

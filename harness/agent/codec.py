"""A block of vectors: the arrays that hold it on the board, and how they are filled.

A layout says which bits of which words vary in a run, and in which column each is sent; eight
columns are a plane, one byte per vector. All other bits keep their level from the layout and cost
neither bytes nor time. This folder's README has the format of a body. Only this module writes
these arrays: parts that a block does not change are still those of the block before.
"""

from __future__ import annotations

from .buffers import copy_words, fill, words
from .cpython import addressof
from .faces import Bytes, Words
from .planes import add_bits, begin_words, fill_table, take_bytes, turn, undo_sum, undo_xor
from .protocol import CONSTANT, FIELDS, LAYOUT, PLAIN, PLANES, SAME, SUB, TURNED, WORDS


class Block:
    """Room for ``size`` vectors; the arrays are reused."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.fields = [words(size) for _ in FIELDS]
        self.drive, self.enable, self.pulse = self.fields[:3]
        self.expect, self.care, self.highz, self.repeat = self.fields[3:]
        self.filled: list[int | None] = [None] * len(FIELDS)
        self.base = words(len(FIELDS))
        self.known = False
        self.widths: list[int] = []
        self.ways: list[dict[int, Words]] = []
        self.plane = words((size + 7) // 4 + 1)
        self.table = words(256)

    def forget(self) -> None:
        """Forget the layout: a new run must send its own."""
        self.known = False

    def load(self, body: Bytes, count: int) -> None:
        """Fill the first ``count`` vectors from a block's body, already inflated."""
        body = memoryview(body)  # slices of bytes are copies, and there may be no room for one
        opening = body[0]
        if not self.known and opening in (PLANES, SAME):
            raise ValueError("block without a layout")
        if opening == WORDS:
            self.load_words(body, count)
        elif opening == LAYOUT:
            self.load_planes(body, self.load_layout(body), count)
        elif opening == PLANES:
            self.load_planes(body, 1, count)
        elif opening != SAME:
            raise ValueError("block that begins with %d" % opening)

    def load_words(self, body: Bytes, count: int) -> None:
        """Copy plain words, field by field."""
        at = 1
        for k in range(len(FIELDS)):
            take_bytes(addressof(body) + at, addressof(self.fields[k]), 4 * count)
            at += 4 * count
            self.filled[k] = None

    def load_layout(self, body: Bytes) -> int:
        """Read where the columns go; return where the planes begin.

        ``ways`` has, for each plane, the fields it changes and what each of its bits does to a
        word.
        """
        for k in range(len(FIELDS)):
            self.base[k] = int.from_bytes(bytes(body[1 + 4 * k : 5 + 4 * k]), "little")
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

    def load_planes(self, body: Bytes, at: int, count: int) -> None:
        """Fill the words from planes that begin at ``at``."""
        base = words(len(FIELDS))
        copy_words(self.base, base, len(FIELDS))
        moving = []
        for number in range(len(self.widths)):
            mode = body[at]
            if mode == CONSTANT:
                self.settle(self.ways[number], body[at + 1], base)
                at += 2
            else:
                moving.append((number, at))
                each = self.widths[number] * ((count + 7) // 8) if mode & TURNED else count
                at += 2 + each
        fresh = [True] * len(FIELDS)
        for number, at in moving:
            plane = self.expand_plane(body, at, count, self.widths[number])
            for k, bits in self.ways[number].items():
                word = base[k] if fresh[k] else 0
                fill_table(addressof(self.table), word, bits, self.widths[number])
                look_up = begin_words if fresh[k] else add_bits
                look_up(plane, addressof(self.fields[k]), self.table, count)
                fresh[k] = False
        for k in range(len(FIELDS)):
            self.hold(k, base[k] if fresh[k] else None)

    def settle(self, ways: dict[int, Words], byte: int, base: Words) -> None:
        """Apply to the base a plane that is the same for every vector of the block."""
        for k, bits in ways.items():
            for bit in range(8):
                if byte >> bit & 1:
                    base[k] ^= bits[bit]

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
    """Return the maximum size of the body of a block of ``count`` vectors, in bytes."""
    return 1 + len(FIELDS) * 4 * count

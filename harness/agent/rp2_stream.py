"""Turns a block's vectors into words in controller order for the RP2040's DMA, and back.

Knows memory, not registers; ``crossing`` of ``rp2_chip`` makes the tables that move bits.
"""

from __future__ import annotations

from typing import Any

from .cpython import micropython, ptr8, ptr32
from .faces import Table

EDGE = 8
"""Cycles of a repeated row laid out one by one before and after its repetition."""
MIN_LOOP = 64
"""A row repeated less often is laid out whole: loading a control block takes time."""


class Chain:
    """Control blocks of one DMA channel: stretches of memory, one after the other.

    ``blocks`` has room for ``most`` of them and a last one. ``order`` says where in a block the
    address of a stretch and ``port``, the other end, stand.
    """

    def __init__(self, blocks: Any, most: int, port: int, order: tuple[int, int]) -> None:
        self.blocks = blocks
        self.last = 4 * (most - 3)
        self.port = port
        self.address_at, self.port_at = order
        self.clear()

    def clear(self) -> None:
        """Forget all stretches."""
        self.used = 0
        self.end = -1

    def add(self, address: int, count: int, control: int, step: int) -> None:
        """Add ``count`` words from ``address``; ``step`` is 4 where the address moves, else 0."""
        blocks, at = self.blocks, self.used
        if step and address == self.end:
            blocks[at - 2] += count
        else:
            blocks[at + self.address_at] = address
            blocks[at + self.port_at] = self.port
            blocks[at + 2] = count
            blocks[at + 3] = control
            self.used = at + 4
        self.end = address + 4 * count if step else -1

    def full(self) -> bool:
        """Whether another repeated row would not fit."""
        return self.used > self.last

    def close(self) -> None:
        """Write the block that stops the channel."""
        # A 0 in a channel's trigger register starts nothing, so a block of zeros ends the list
        # (RP2040 datasheet 2.5.6.2, DMA control blocks).
        for k in range(self.used, self.used + 4):
            self.blocks[k] = 0


@micropython.viper
def short_rows(enable: int, highz: int, repeat: int, job: Table) -> int:
    """Count the rows that a burst lays out whole: same directions, no pull test, few cycles.

    ``job`` is the number of rows that follow, and of cycles that fit, which becomes those left.
    """
    first = int(ptr32(enable)[0])
    left = int(job[1])
    rows = 0
    while rows < int(job[0]):
        size = int(ptr32(repeat)[0])
        if size < 1 or size >= MIN_LOOP or size > left:
            break
        if int(ptr32(highz)[0]) != 0 or int(ptr32(enable)[0]) != first:
            break
        left -= size
        enable += 4
        highz += 4
        repeat += 4
        rows += 1
    job[1] = left
    return rows


@micropython.viper
def spread(source: int, target: int, repeat: int, count: int) -> int:
    """Write each of ``count`` words as often as its word of ``repeat`` says."""
    end = source + 4 * count
    while source < end:
        stop = target + 4 * int(ptr32(repeat)[0])
        while target < stop:
            ptr32(target)[0] = ptr32(source)[0]
            target += 4
        source += 4
        repeat += 4
    return 0


@micropython.viper
def spread_pairs(source: int, target: int, repeat: int, job: Table) -> int:
    """Write levels, and levels changed by a pulse, as often as ``repeat`` says.

    ``job`` is the number of levels, and the bytes from each to its pulse.
    """
    end = source + 4 * int(job[0])
    while source < end:
        word = int(ptr32(source)[0])
        pulsed = word ^ int(ptr32(source + int(job[1]))[0])
        stop = target + 8 * int(ptr32(repeat)[0])
        while target < stop:
            ptr32(target)[0] = word
            ptr32(target)[1] = pulsed
            target += 8
        source += 4
        repeat += 4
    return 0


@micropython.viper
def differs(seen: int, expect: int, care: int, count: int) -> int:
    """Whether any of ``count`` words read differs where it is cared for."""
    end = seen + 4 * count
    while seen < end:
        if (int(ptr32(seen)[0]) ^ int(ptr32(expect)[0])) & int(ptr32(care)[0]):
            return 1
        seen += 4
        expect += 4
        care += 4
    return 0


@micropython.viper
def begin_pairs(plane: int, target: int, table: Table, count: int) -> int:
    """Write two words for each byte of the plane: from the table, and from the one behind it."""
    end = plane + count
    while plane < end:
        ptr32(target)[0] = table[ptr8(plane)[0]]
        ptr32(target)[1] = table[256 + ptr8(plane)[0]]
        plane += 1
        target += 8
    return 0


@micropython.viper
def add_pairs(plane: int, target: int, table: Table, count: int) -> int:
    """Change pairs of words, begun before, by the two tables."""
    end = plane + count
    while plane < end:
        ptr32(target)[0] = ptr32(target)[0] ^ table[ptr8(plane)[0]]
        ptr32(target)[1] = ptr32(target)[1] ^ table[256 + ptr8(plane)[0]]
        plane += 1
        target += 8
    return 0


@micropython.viper
def cross_words(source: Any, target: Any, table: Any, count: int) -> int:
    """Move the bits of ``count`` words by the tables of ``crossing``."""
    s = ptr32(source)
    t = ptr32(target)
    b = ptr32(table)
    k = 0
    while k < count:
        w = int(s[k])
        t[k] = (
            int(b[(w << 2) & 1020])
            | int(b[((w >> 6) & 1020) + 1])
            | int(b[((w >> 14) & 1020) + 2])
            | int(b[((w >> 22) & 1020) + 3])
        )
        k += 1
    return 0


@micropython.viper
def any_set(values: Any, count: int) -> int:
    """Whether any of the first ``count`` words is non-zero."""
    v = ptr32(values)
    i = 0
    while i < count:
        if int(v[i]) != 0:
            return 1
        i += 1
    return 0

"""Turns a block's vectors into words in controller order for the RP2040's DMA, and back.

Knows memory, not registers; ``crossing`` of ``rp2_chip`` makes the tables that move bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .cpython import micropython, ptr8, ptr32
from .faces import Table, Words

EDGE = 8
"""Cycles of a repeated row laid out one by one before and after its repetition."""
MIN_LOOP = 64
"""A row repeated less often is laid out whole: loading a control block takes time."""


class Chain:
    """Control blocks of one DMA channel: stretches of memory, one after the other."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.clear()

    def clear(self) -> None:
        """Forget all stretches."""
        self.stretches: list[list[int]] = []

    def add(self, address: int, count: int, control: int, step: int) -> None:
        """Add ``count`` words from ``address``; ``step`` is 4 where the address moves, else 0."""
        if self.stretches and step:
            last = self.stretches[-1]
            if last[2] == control and last[0] + 4 * last[1] == address:
                last[1] += count
                return
        self.stretches.append([address, count, control])

    def full(self) -> bool:
        """Whether another repeated row would not fit."""
        return len(self.stretches) + 3 > self.most

    def write(self, target: Any, port: int, order: tuple[int, int]) -> None:
        """Write control blocks that read or write at ``port``, and a last one that stops.

        ``order`` says where in a block the address and the port stand.
        """
        at = 0
        for address, count, control in self.stretches:
            target[at + order[0]] = address
            target[at + order[1]] = port
            target[at + 2] = count
            target[at + 3] = control
            at += 4
        # A 0 in a channel's trigger register starts nothing, so a block of zeros ends the list
        # (RP2040 datasheet 2.5.6.2, DMA control blocks).
        for k in range(4):
            target[at + k] = 0


@micropython.viper
def lay_words(buffers: Sequence[Any], job: Words) -> int:
    """Turn rows into words: ``buffers`` is drive, pulse, stream, table.

    ``job`` is first row, count, target index, words a row (1, or 2 with the pulse), step between
    rows (1, or 0 to repeat one).
    """
    drive = ptr32(buffers[0])
    pulse = ptr32(buffers[1])
    stream = ptr32(buffers[2])
    table = ptr32(buffers[3])
    j = ptr32(job)
    i = int(j[0])
    left = int(j[1])
    to = int(j[2])
    two = int(j[3]) - 1
    step = int(j[4])
    while left > 0:
        w = int(drive[i])
        stream[to] = (
            int(table[(w << 2) & 1020])
            | int(table[((w >> 6) & 1020) + 1])
            | int(table[((w >> 14) & 1020) + 2])
            | int(table[((w >> 22) & 1020) + 3])
        )
        to += 1
        if two:
            w = w ^ int(pulse[i])
            stream[to] = (
                int(table[(w << 2) & 1020])
                | int(table[((w >> 6) & 1020) + 1])
                | int(table[((w >> 14) & 1020) + 2])
                | int(table[((w >> 22) & 1020) + 3])
            )
            to += 1
        i += step
        left -= 1
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
def plain_rows(buffers: Sequence[Any], at: int, end: int) -> int:
    """Count the rows from ``at`` that run one cycle, keep directions and have no pull test.

    ``buffers`` is enable, highz, repeat.
    """
    enable = ptr32(buffers[0])
    highz = ptr32(buffers[1])
    repeat = ptr32(buffers[2])
    first = int(enable[at])
    i = at
    while i < end:
        if int(repeat[i]) != 1 or int(highz[i]) != 0 or int(enable[i]) != first:
            return i - at
        i += 1
    return i - at


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

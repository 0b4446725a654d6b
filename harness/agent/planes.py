"""The loops that turn the bytes of a body into words: plain words, planes and their forms.

One rule: each loop does one step for all vectors of a block, and allocates nothing. This folder's
README explains planes. Loops count addresses and do four steps at a time, because the viper
emitter keeps only the first three arguments of a function in registers.
"""

from __future__ import annotations

from .cpython import micropython, ptr8, ptr32
from .faces import Table


@micropython.viper
def take_bytes(source: int, target: int, count: int) -> int:
    """Copy ``count`` bytes; neither end need be aligned."""
    end = source + count - (count & 3)
    while source < end:
        ptr8(target)[0] = ptr8(source)[0]
        ptr8(target)[1] = ptr8(source)[1]
        ptr8(target)[2] = ptr8(source)[2]
        ptr8(target)[3] = ptr8(source)[3]
        source += 4
        target += 4
    end = source + (count & 3)
    while source < end:
        ptr8(target)[0] = ptr8(source)[0]
        source += 1
        target += 1
    return 0


@micropython.viper
def undo_xor(source: int, target: int, back: int, count: int) -> int:
    """Undo an exclusive or with ``count`` bytes from ``back``, which may overlap ``target``."""
    end = source + count - (count & 3)
    while source < end:
        ptr8(target)[0] = ptr8(source)[0] ^ ptr8(back)[0]
        ptr8(target)[1] = ptr8(source)[1] ^ ptr8(back)[1]
        ptr8(target)[2] = ptr8(source)[2] ^ ptr8(back)[2]
        ptr8(target)[3] = ptr8(source)[3] ^ ptr8(back)[3]
        source += 4
        target += 4
        back += 4
    end = source + (count & 3)
    while source < end:
        ptr8(target)[0] = ptr8(source)[0] ^ ptr8(back)[0]
        source += 1
        target += 1
        back += 1
    return 0


@micropython.viper
def undo_sum(source: int, target: int, last: int, count: int) -> int:
    """Add every byte to the one before it, the first to ``last``."""
    end = source + count
    while source < end:
        last = (last + int(ptr8(source)[0])) & 255
        ptr8(target)[0] = last
        source += 1
        target += 1
    return 0


@micropython.viper
def turn(source: int, target: int, column: int, groups: int) -> int:
    """Put a column of bits, eight to a byte, into bit ``column`` of one zeroed byte each.

    The product spreads four bits to the lowest bits of four bytes: no two of its terms overlap.
    """
    end = source + groups
    while source < end:
        byte = int(ptr8(source)[0])
        low = int(ptr32(target)[0])
        ptr32(target)[0] = low | ((((byte & 15) * 0x204081) & 0x01010101) << column)
        high = int(ptr32(target)[1])
        ptr32(target)[1] = high | ((((byte >> 4) * 0x204081) & 0x01010101) << column)
        source += 1
        target += 8
    return 0


@micropython.viper
def fill_table(table: int, word: int, bits: Table, width: int) -> int:
    """Tabulate ``word`` changed by each value of ``width`` bits; ``bits`` has a word per bit."""
    ptr32(table)[0] = word
    end = table + 4
    start = table
    bit = 0
    while bit < width:
        word = int(bits[bit])
        table = start
        to = end
        while table < end:
            ptr32(to)[0] = int(ptr32(table)[0]) ^ word
            table += 4
            to += 4
        end = to
        bit += 1
    return 0


@micropython.viper
def begin_words(plane: int, target: int, table: Table, count: int) -> int:
    """Write ``count`` words, each from the table by its byte of the plane."""
    end = plane + count - (count & 3)
    while plane < end:
        ptr32(target)[0] = table[ptr8(plane)[0]]
        ptr32(target)[1] = table[ptr8(plane)[1]]
        ptr32(target)[2] = table[ptr8(plane)[2]]
        ptr32(target)[3] = table[ptr8(plane)[3]]
        plane += 4
        target += 16
    end = plane + (count & 3)
    while plane < end:
        ptr32(target)[0] = table[ptr8(plane)[0]]
        plane += 1
        target += 4
    return 0


@micropython.viper
def add_bits(plane: int, target: int, table: Table, count: int) -> int:
    """Change ``count`` words, begun before, each from the table by its byte of the plane."""
    end = plane + count - (count & 3)
    while plane < end:
        ptr32(target)[0] = ptr32(target)[0] ^ table[ptr8(plane)[0]]
        ptr32(target)[1] = ptr32(target)[1] ^ table[ptr8(plane)[1]]
        ptr32(target)[2] = ptr32(target)[2] ^ table[ptr8(plane)[2]]
        ptr32(target)[3] = ptr32(target)[3] ^ table[ptr8(plane)[3]]
        plane += 4
        target += 16
    end = plane + (count & 3)
    while plane < end:
        ptr32(target)[0] = ptr32(target)[0] ^ table[ptr8(plane)[0]]
        plane += 1
        target += 4
    return 0

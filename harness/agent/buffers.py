"""Arrays of words, and the loops over whole arrays: copy, count, compare, tally.

One rule: a loop knows words and positions, not their meaning, and allocates nothing.
"""

from __future__ import annotations

import binascii
from array import array
from collections.abc import Sequence

from .cpython import micropython, ptr32
from .faces import Bytes, Words


def words(count: int) -> Words:
    """Make ``count`` unsigned 32-bit words, all zero."""
    return array("I", bytes(4 * count))


@micropython.viper
def fill(target: int, word: int, count: int) -> int:
    """Write a word ``count`` times."""
    end = target + 4 * count
    while target < end:
        ptr32(target)[0] = word
        target += 4
    return 0


@micropython.viper
def copy_row(source: Words, target: Words, place: Words) -> int:
    """Copy word ``place[0]`` of ``source`` into ``place[2]`` words of ``target`` from ``[1]``."""
    s = ptr32(source)
    t = ptr32(target)
    p = ptr32(place)
    value = s[int(p[0])]
    at = int(p[1])
    end = at + int(p[2])
    while at < end:
        t[at] = value
        at += 1
    return 0


@micropython.viper
def copy_words(source: Words | Bytes, target: Words | Bytes, count: int) -> int:
    """Copy ``count`` words from the start of one buffer to the start of another."""
    s = ptr32(source)
    t = ptr32(target)
    i = 0
    while i < count:
        t[i] = s[i]
        i += 1
    return 0


@micropython.viper
def count_up(target: Words, place: Words) -> int:
    """Write ``place[0]``, ``place[0] + 1``… into ``place[2]`` words of ``target`` from ``[1]``."""
    t = ptr32(target)
    p = ptr32(place)
    value = int(p[0])
    at = int(p[1])
    end = at + int(p[2])
    while at < end:
        t[at] = value
        value += 1
        at += 1
    return 0


@micropython.viper
def compare(want: Sequence[Words | memoryview], got: Sequence[Words], k: int, count: int) -> int:
    """Compare vectors ``k`` to ``count``; return the number that differ.

    ``want`` is expect, care, highz; ``got`` is seen, floating, wrong, tested. ``wrong`` gets the
    pins that differ, ``tested`` the levels read on tested pins.
    """
    expect = ptr32(want[0])
    care = ptr32(want[1])
    highz = ptr32(want[2])
    seen = ptr32(got[0])
    floating = ptr32(got[1])
    wrong = ptr32(got[2])
    tested = ptr32(got[3])
    bad = 0
    while k < count:
        s = int(seen[k])
        c = int(care[k])
        w = (s ^ int(expect[k])) & c
        s = s & c
        c = int(highz[k])
        if c:
            w = w | (c & ~int(floating[k]))
            s = s | (int(floating[k]) & c)
        wrong[k] = w
        tested[k] = s
        if w:
            bad += 1
        k += 1
    return bad


@micropython.viper
def mask(seen: Words | memoryview, care: Words | memoryview, tested: Words, count: int) -> int:
    """Put into ``tested`` the levels that ``seen`` has on the pins that are cared for."""
    s = ptr32(seen)
    c = ptr32(care)
    t = ptr32(tested)
    k = 0
    while k < count:
        t[k] = s[k] & c[k]
        k += 1
    return 0


def sum_masked(
    seen: Words | memoryview, care: Words | memoryview, tested: Words, count: int, crc: int
) -> int:
    """Continue a CRC-32 by the levels that ``seen`` has on the pins that are cared for."""
    mask(seen, care, tested, count)
    return binascii.crc32(memoryview(tested)[:count], crc)


@micropython.viper
def tally(wrong: Words, counts: Words, count: int) -> int:
    """Add every set bit of ``wrong[:count]`` to ``counts`` (32 words)."""
    w = ptr32(wrong)
    c = ptr32(counts)
    i = 0
    while i < count:
        word = w[i]
        bit = 0
        while bit < 32:
            if (word >> bit) & 1:
                c[bit] += 1
            bit += 1
        i += 1
    return 0

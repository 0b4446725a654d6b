"""The board's hottest loops once more, for an ARM processor: each replaces the one of its name.

They come after the modules whose loops they replace, to boards with an RP2040 or RP2350 only; any
other interpreter goes without. One rule: a loop here does exactly what its twin does, bit by bit,
and ``tests/unit/agent/test_thumb.py`` runs both. An inline assembler function takes four
arguments at most, all in registers, buffers by their address; its registers r0 to r7 are Thumb's.
"""

# ruff: noqa: F821, ARG001
# mypy: disable-error-code="name-defined, return, call-overload"

from __future__ import annotations

import binascii

from .buffers import words
from .cpython import micropython
from .faces import Table, Words


@micropython.asm_thumb
def begin_words(r0: int, r1: int, r2: Table, r3: int) -> int:
    """As in ``planes``: plane, target, table, count."""
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    lsl(r4, r4, 2)
    add(r4, r4, r2)
    ldr(r4, [r4, 0])
    str(r4, [r1, 0])
    add(r0, 1)
    add(r1, 4)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def add_bits(r0: int, r1: int, r2: Table, r3: int) -> int:
    """As in ``planes``: plane, target, table, count."""
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    lsl(r4, r4, 2)
    add(r4, r4, r2)
    ldr(r4, [r4, 0])
    ldr(r5, [r1, 0])
    eor(r4, r5)
    str(r4, [r1, 0])
    add(r0, 1)
    add(r1, 4)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def undo_xor(r0: int, r1: int, r2: int, r3: int) -> int:
    """As in ``planes``: source, target, back, count."""
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    ldrb(r5, [r2, 0])
    eor(r4, r5)
    strb(r4, [r1, 0])
    add(r0, 1)
    add(r1, 1)
    add(r2, 1)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def undo_sum(r0: int, r1: int, r2: int, r3: int) -> int:
    """As in ``planes``: source, target, last, count."""
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    add(r2, r2, r4)
    strb(r2, [r1, 0])
    add(r0, 1)
    add(r1, 1)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def turn(r0: int, r1: int, r2: int, r3: int) -> int:
    """As in ``planes``: source, target, column, groups."""
    add(r3, r3, r0)
    mov(r6, 0x20)
    lsl(r6, r6, 8)
    add(r6, 0x40)
    lsl(r6, r6, 8)
    add(r6, 0x81)
    mov(r7, 1)
    lsl(r4, r7, 8)
    orr(r7, r4)
    lsl(r4, r7, 16)
    orr(r7, r4)
    lsl(r7, r2)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    lsr(r5, r4, 4)
    lsl(r4, r4, 28)
    lsr(r4, r4, 28)
    mul(r4, r6)
    lsl(r4, r2)
    and_(r4, r7)
    mul(r5, r6)
    lsl(r5, r2)
    and_(r5, r7)
    push({r3})
    ldr(r3, [r1, 0])
    orr(r4, r3)
    str(r4, [r1, 0])
    ldr(r3, [r1, 4])
    orr(r5, r3)
    str(r5, [r1, 4])
    pop({r3})
    add(r0, 1)
    add(r1, 8)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def sum_state(r0: Words | memoryview, r1: Words | memoryview, r2: Words, r3: int) -> int:
    """Continue the CRC in ``r2``, whose table follows it, by ``r3`` words of r0 masked by r1."""
    lsl(r3, r3, 2)
    add(r3, r3, r0)
    ldr(r4, [r2, 0])
    mov(r7, 0xFF)
    lsl(r7, r7, 2)
    b(TEST)
    label(LOOP)
    ldr(r5, [r0, 0])
    ldr(r6, [r1, 0])
    and_(r5, r6)
    eor(r4, r5)
    lsl(r5, r4, 2)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 4])
    lsr(r4, r4, 8)
    eor(r4, r5)
    lsl(r5, r4, 2)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 4])
    lsr(r4, r4, 8)
    eor(r4, r5)
    lsl(r5, r4, 2)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 4])
    lsr(r4, r4, 8)
    eor(r4, r5)
    lsl(r5, r4, 2)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 4])
    lsr(r4, r4, 8)
    eor(r4, r5)
    add(r0, 4)
    add(r1, 4)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)
    str(r4, [r2, 0])


SUMS = words(257)
"""A CRC-32 on its way, then its table: the changes by the value of a byte."""


def fill_sums(table: Words) -> None:
    """Fill in the changes: that of a byte combines those of its bits."""
    for bit in range(8):
        first = 1 << bit
        change = binascii.crc32(bytes((first ^ 0xFF,))) ^ 0xFF000000
        for k in range(first):
            table[1 + first + k] = table[1 + k] ^ change


fill_sums(SUMS)


def sum_masked(
    seen: Words | memoryview, care: Words | memoryview, tested: Words, count: int, crc: int
) -> int:
    """As in ``buffers``, but ``tested`` is not written."""
    SUMS[0] = crc ^ 0xFFFFFFFF
    sum_state(seen, care, SUMS, count)
    return SUMS[0] ^ 0xFFFFFFFF

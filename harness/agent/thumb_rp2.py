"""The loops of ``rp2_stream`` once more, for an ARM processor: rows to pins, and words back.

``thumb`` has the loops that any pins module needs. One rule: as there.
"""

# ruff: noqa: F821
# mypy: disable-error-code="name-defined, return, call-overload"

from __future__ import annotations

from .cpython import micropython
from .faces import Table, Words


@micropython.asm_thumb
def begin_pairs(r0: int, r1: int, r2: Table, r3: int) -> int:
    """As in ``rp2_stream``: plane, target, table, count."""
    add(r3, r3, r0)
    mov(r6, 4)
    lsl(r6, r6, 8)
    add(r6, r6, r2)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    lsl(r4, r4, 2)
    add(r5, r4, r6)
    add(r4, r4, r2)
    ldr(r4, [r4, 0])
    ldr(r5, [r5, 0])
    str(r4, [r1, 0])
    str(r5, [r1, 4])
    add(r0, 1)
    add(r1, 8)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def add_pairs(r0: int, r1: int, r2: Table, r3: int) -> int:
    """As in ``rp2_stream``: plane, target, table, count."""
    add(r3, r3, r0)
    mov(r6, 4)
    lsl(r6, r6, 8)
    add(r6, r6, r2)
    b(TEST)
    label(LOOP)
    ldrb(r4, [r0, 0])
    lsl(r4, r4, 2)
    add(r5, r4, r6)
    add(r4, r4, r2)
    ldr(r4, [r4, 0])
    ldr(r7, [r1, 0])
    eor(r4, r7)
    str(r4, [r1, 0])
    ldr(r5, [r5, 0])
    ldr(r7, [r1, 4])
    eor(r5, r7)
    str(r5, [r1, 4])
    add(r0, 1)
    add(r1, 8)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def cross_words(r0: Words, r1: Words, r2: Words, r3: int) -> int:
    """As in ``rp2_stream``: source, target, table, count."""
    lsl(r3, r3, 2)
    add(r3, r3, r0)
    mov(r7, 0xFF)
    lsl(r7, r7, 4)
    b(TEST)
    label(LOOP)
    ldr(r4, [r0, 0])
    lsl(r5, r4, 4)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r6, [r5, 0])
    lsr(r5, r4, 4)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 4])
    orr(r6, r5)
    lsr(r5, r4, 12)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 8])
    orr(r6, r5)
    lsr(r5, r4, 20)
    and_(r5, r7)
    add(r5, r5, r2)
    ldr(r5, [r5, 12])
    orr(r6, r5)
    str(r6, [r1, 0])
    add(r0, 4)
    add(r1, 4)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def short_rows(r0: int, r1: int, r2: int, r3: Words) -> int:
    """As in ``rp2_stream``: enable, highz, repeat, job."""
    ldr(r4, [r0, 0])
    ldr(r5, [r3, 0])
    ldr(r6, [r3, 4])
    b(TEST)
    label(LOOP)
    ldr(r7, [r0, 0])
    cmp(r7, r4)
    bne(DONE)
    ldr(r7, [r1, 0])
    cmp(r7, 0)
    bne(DONE)
    ldr(r7, [r2, 0])
    cmp(r7, 0)
    beq(DONE)
    cmp(r7, 64)
    bcs(DONE)
    cmp(r7, r6)
    bhi(DONE)
    sub(r6, r6, r7)
    add(r0, 4)
    add(r1, 4)
    add(r2, 4)
    sub(r5, 1)
    label(TEST)
    cmp(r5, 0)
    bne(LOOP)
    label(DONE)
    ldr(r0, [r3, 0])
    sub(r0, r0, r5)
    str(r6, [r3, 4])


@micropython.asm_thumb
def spread(r0: int, r1: int, r2: int, r3: int) -> int:
    """As in ``rp2_stream``: source, target, repeat, count."""
    lsl(r3, r3, 2)
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldr(r4, [r0, 0])
    ldr(r5, [r2, 0])
    add(r0, 4)
    add(r2, 4)
    b(MORE)
    label(AGAIN)
    str(r4, [r1, 0])
    add(r1, 4)
    sub(r5, 1)
    label(MORE)
    cmp(r5, 0)
    bne(AGAIN)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def spread_pairs(r0: int, r1: int, r2: int, r3: Words) -> int:
    """As in ``rp2_stream``: source, target, repeat, job."""
    ldr(r7, [r3, 4])
    add(r7, r7, r0)
    ldr(r3, [r3, 0])
    lsl(r3, r3, 2)
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldr(r4, [r0, 0])
    ldr(r5, [r7, 0])
    eor(r5, r4)
    ldr(r6, [r2, 0])
    add(r0, 4)
    add(r2, 4)
    add(r7, 4)
    b(MORE)
    label(AGAIN)
    str(r4, [r1, 0])
    str(r5, [r1, 4])
    add(r1, 8)
    sub(r6, 1)
    label(MORE)
    cmp(r6, 0)
    bne(AGAIN)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)


@micropython.asm_thumb
def differs(r0: int, r1: int, r2: int, r3: int) -> int:
    """As in ``rp2_stream``: seen, expect, care, count."""
    lsl(r3, r3, 2)
    add(r3, r3, r0)
    b(TEST)
    label(LOOP)
    ldr(r4, [r0, 0])
    ldr(r5, [r1, 0])
    eor(r4, r5)
    ldr(r5, [r2, 0])
    and_(r4, r5)
    bne(DIFFER)
    add(r0, 4)
    add(r1, 4)
    add(r2, 4)
    label(TEST)
    cmp(r0, r3)
    bne(LOOP)
    mov(r0, 0)
    b(OUT)
    label(DIFFER)
    mov(r0, 1)
    label(OUT)

"""The compiled loops between the lines of a board and the nets at a chip's pins.

The one rule: a line is a bit of a pattern's words; which pins of the chip are on it is for each
lane to say (open, exchanged, shorted, stuck). Lines that nothing drives read low, and where board
and chip both drive one, the board wins in what is read. ``v``, ``t`` and ``ops`` as in ``kernel``.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from harness.netlist.compiler import compiled, inlined, lowest_place, peek, put, some, spread, take
from harness.netlist.kernel import SETTLED, Operations, advance, prime, show
from harness.netlist.lanes import ALL, Lanes
from harness.netlist.layout import (
    ALWAYS,
    DIRTY,
    DRIVEN,
    FED,
    FED_AT,
    FEEDING,
    FOUGHT,
    FROZEN,
    INPUT,
    INPUT_AT,
    INPUT_LINE,
    INPUT_MASK,
    LINE_ENABLE,
    LINE_LEVEL,
    LIVE,
    OUTPUT,
    OUTPUT_AT,
    OUTPUT_MASK,
    PLAIN,
    RAILS,
    READERS,
    SEEN,
    SHORT,
    SHORT_MASK,
    SHORT_OR,
    SHORTS,
    SHOWN,
    SPEAKING,
    UNKNOWN,
    WATCHED,
    WORDS,
    Tables,
)

_NONE, _ONE = np.uint64(0), np.uint64(1)
_ROUNDS = 16
"""A level that has come back so often through shorted lines, and still changes, will go on."""


@inlined
def spread_bit(v: Lanes, word: int, bit: int) -> Any:
    """Give one bit of a word for all lanes."""
    return spread(v, np.uint64(-((word >> bit) & 1)))


@inlined
def _outside(v: Lanes, t: Tables, levels: int, enable: int, pulse: int) -> int:
    """Drive lines from outside, ``pulse`` inverted in the live lanes; gives those that moved."""
    words = t[WORDS]
    moved = (t[words] ^ levels) | (t[words + 1] ^ enable) | t[words + 2] | pulse
    t[words], t[words + 1], t[words + 2] = levels, enable, pulse
    left = moved = moved & t[FEEDING]
    while left != 0:
        line = lowest_place(left)
        left &= left - 1
        level = spread_bit(v, levels, line)
        if (pulse >> line) & 1:
            level = level ^ take(v, t[LIVE])
        put(v, t[LINE_LEVEL] + line, level)
        put(v, t[LINE_ENABLE] + line, spread_bit(v, enable, line))
    return int(moved)


@compiled
def _gathered(v: Lanes, t: Tables, index: int, source: int) -> Any:
    """Level of an input that is not on one line in all lanes."""
    value = take(v, t[ALWAYS] + index)
    for term in range(t[t[INPUT_AT] + index], t[t[INPUT_AT] + index + 1]):
        level = take(v, source + t[t[INPUT_LINE] + term])
        value = value | (level & take(v, t[INPUT_MASK] + term))
    return value


@inlined
def _connect(v: Lanes, t: Tables, moved: int) -> bool:
    """Let the inputs follow the lines that moved; gives whether flops may have to follow."""
    dirty, follow = t[DIRTY], False
    while moved != 0:
        line = lowest_place(moved)
        moved &= moved - 1
        fed = t[FED_AT] + line
        for place in range(peek(t, fed), peek(t, fed + 1)):
            index = peek(t, t[FED] + place)
            at = t[INPUT] + 5 * index
            slot, zero = peek(t, at), peek(t, at + 1)
            source = t[LINE_ENABLE] if peek(t, at + 2) == 1 else t[LINE_LEVEL]
            value = take(v, source + line)
            if peek(t, at + 4) == 0:
                value = _gathered(v, t, index, source)
            if some(value ^ take(v, slot)):
                put(v, slot, value)
                dirty |= peek(t, t[READERS] + slot)
                follow |= peek(t, at + 3) == 1
                if zero >= 0:
                    put(v, zero, ~value)
                    dirty |= peek(t, t[READERS] + zero)
    t[DIRTY] = dirty
    return follow


@compiled
def _set_constants(v: Lanes, t: Tables, inputs: int) -> None:
    """Give each input its level for lines that are all low, once."""
    for index in range(inputs):
        at = t[INPUT] + 5 * index
        put(v, t[at], take(v, t[ALWAYS] + index))
        if t[at + 1] >= 0:
            put(v, t[at + 1], ~take(v, t[ALWAYS] + index))


@inlined
def listen(v: Lanes, t: Tables) -> None:
    """Read what the chip puts on its lines."""
    left = t[SPEAKING]
    shorted = t[SHORTS] != 0
    while left != 0:
        line = lowest_place(left)
        left &= left - 1
        at, end = peek(t, t[OUTPUT_AT] + line), peek(t, t[OUTPUT_AT] + line + 1)
        seen = driven = unknown = spread(v, _NONE)
        for term in range(at, end):
            slots = t[OUTPUT] + 5 * term
            mask, one = take(v, t[OUTPUT_MASK] + term), take(v, peek(t, slots))
            enable = take(v, peek(t, slots + 2)) & mask
            if shorted:  # at a pin that is driven from outside stands what came back from there
                has = take(v, t[LINE_ENABLE] + line)
                one = (take(v, peek(t, slots + 4)) & has) | (one & ~has)
            if t[RAILS] == 2:
                zero, off = take(v, peek(t, slots + 1)), take(v, peek(t, slots + 3))
                unknown = unknown | (mask & ~off & ~(enable & (one | zero)))
            driven = driven | enable
            seen = seen | (one & enable)
        put(v, t[SEEN] + line, seen)
        put(v, t[DRIVEN] + line, driven)
        if t[RAILS] == 2:
            put(v, t[UNKNOWN] + line, unknown)


@inlined
def _short(v: Lanes, t: Tables) -> int:
    """Let shorted lines show what all their drivers come to; gives the lines that moved."""
    moved, words, swinging = 0, t[WORDS], spread(v, _NONE)
    for index in range(t[SHORTS]):
        mask = take(v, t[SHORT_MASK] + index) & ~take(v, t[FROZEN])
        either = take(v, t[SHORT_OR] + index)
        high = low = spread(v, _NONE)
        for side in range(2):
            line = t[t[SHORT] + 2 * index + side]
            enable, level = spread_bit(v, t[words + 1], line), spread_bit(v, t[words], line)
            if (t[words + 2] >> line) & 1:
                level = level ^ take(v, t[LIVE])
            seen, driven = take(v, t[SEEN] + line), take(v, t[DRIVEN] + line)
            high = high | (enable & level) | (driven & seen)
            low = low | (enable & ~level) | (driven & ~seen)
        for side in range(2):
            line = t[t[SHORT] + 2 * index + side]
            old, had = take(v, t[LINE_LEVEL] + line), take(v, t[LINE_ENABLE] + line)
            new = (high & (~low | either) & mask) | (old & ~mask)
            has = ((high | low) & mask) | (had & ~mask)
            put(v, t[LINE_LEVEL] + line, new)
            put(v, t[LINE_ENABLE] + line, has)
            change = (new ^ old) | (has ^ had)
            if some(change):
                moved |= 1 << line
                swinging = swinging | change
    put(v, t[FROZEN] + 1, swinging)
    return moved


@inlined
def _read_shorts(v: Lanes, t: Tables) -> None:
    """Read on shorted lines what they carry."""
    for index in range(t[SHORTS]):
        mask = take(v, t[SHORT_MASK] + index)
        for side in range(2):
            line = t[t[SHORT] + 2 * index + side]
            seen, driven = take(v, t[SEEN] + line), take(v, t[DRIVEN] + line)
            level, enable = take(v, t[LINE_LEVEL] + line), take(v, t[LINE_ENABLE] + line)
            put(v, t[SEEN] + line, (level & mask) | (seen & ~mask))
            put(v, t[DRIVEN] + line, (enable & mask) | (driven & ~mask))


@inlined
def _effect(v: Lanes, t: Tables, ops: Operations, moved: int) -> int:
    """Connect lines, and let the flops follow where that may concern them."""
    follow = _connect(v, t, moved)
    if follow or (t[PLAIN] == 0 and t[DIRTY] != 0):
        return advance(v, t, ops)
    return SETTLED


@inlined
def _move(v: Lanes, t: Tables, ops: Operations, moved: int) -> int:
    """Let the lines that moved take effect; gives a flop that does not settle, or SETTLED.

    Where lines are shorted, what the chip drives comes back to it: that is repeated, and lanes in
    which it swings are frozen.
    """
    trouble, rounds, shorted = SETTLED, 0, t[SHORTS] != 0
    while True:
        if shorted:
            listen(v, t)
            back = _short(v, t)
            moved = back if rounds > 0 else moved | back
            if back != 0 and rounds == _ROUNDS:
                put(v, t[FROZEN], take(v, t[FROZEN]) | take(v, t[FROZEN] + 1))
                return trouble
        trouble = max(trouble, _effect(v, t, ops, moved))
        if not shorted or moved == 0:
            return trouble
        show(v, t, ops, t[SHOWN])
        rounds += 1


@compiled
def _note_fights(v: Lanes, t: Tables, ops: Operations, lines: int) -> None:
    """Note which of these lines, which the board drives, the chip surely drives too."""
    show(v, t, ops, t[SHOWN])
    listen(v, t)
    while lines != 0:
        line = lowest_place(lines)
        lines &= lines - 1
        if some(take(v, t[DRIVEN] + line)):
            t[FOUGHT] |= 1 << line


@inlined
def vector(v: Lanes, t: Tables, ops: Operations, drive: int, enable: int, pulse: int) -> int:
    """Drive, settle, pulse the live lanes and settle twice, read: the order of JESD3.

    Gives a flop that did not settle, or SETTLED.
    """
    levels, trouble = drive & enable, SETTLED
    watched = enable & t[WATCHED]
    for step in range(3 if pulse else 1):
        inverted = pulse if step == 1 else 0
        trouble = max(trouble, _move(v, t, ops, _outside(v, t, levels, enable, inverted)))
        if watched != 0:
            _note_fights(v, t, ops, watched)
    show(v, t, ops, t[SHOWN])
    listen(v, t)
    _read_shorts(v, t)
    return trouble


@inlined
def set_pins(v: Lanes, t: Tables, ops: Operations, levels: int, enable: int) -> int:
    """Let the pins of a single chip be driven from outside; gives as :func:`vector` does.

    A chip that does not settle goes on from where it was left.
    """
    trouble = _effect(v, t, ops, _outside(v, t, levels, enable, 0))
    if trouble != SETTLED:
        put(v, t[FROZEN], spread(v, _NONE))
    return trouble


@inlined
def read_pins(v: Lanes, t: Tables, ops: Operations) -> tuple[int, int]:
    """What a single chip drives at its pins, also where it is driven from outside, and which."""
    show(v, t, ops, t[SHOWN])
    level, driven, left, outside = 0, 0, t[SPEAKING], t[t[WORDS] + 1]
    while left != 0:
        pin = lowest_place(left)
        left &= left - 1
        for term in range(peek(t, t[OUTPUT_AT] + pin), peek(t, t[OUTPUT_AT] + pin + 1)):
            slots = t[OUTPUT] + 5 * term
            slot = peek(t, slots + 4) if (outside >> pin) & 1 else peek(t, slots)
            level |= int(np.int64(take(v, slot) & _ONE) << pin)
            driven |= int(np.int64(take(v, peek(t, slots + 2)) & _ONE) << pin)
    return level, driven


@compiled
def start(v: Lanes, t: Tables, ops: Operations, drive: int, enable: int, inputs: int) -> int:
    """Power the chip up with these levels on its lines; see ``kernel.prime``."""
    put(v, t[LIVE], spread(v, ALL))
    _set_constants(v, t, inputs)
    _connect(v, t, _outside(v, t, drive & enable, enable, 0))
    prime(v, t, ops)
    return max(advance(v, t, ops), _move(v, t, ops, 0))

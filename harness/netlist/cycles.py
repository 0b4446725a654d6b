"""The compiled loops over the cycles of a table: a chip's words, or a judgement in every lane.

The one rule: a cycle is run in one place (``pins.vector``); the loops here differ only in what
they keep of it. What a lane is judged by is what the board would say of it: the same mismatches,
counted the same way, and the same signature. ``v``, ``t`` and ``ops`` as in ``kernel``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.netlist.compiler import compiled, head, inlined, lowest_place, put, some, spread, take
from harness.netlist.kernel import EVERYTHING, SETTLED, Operations, show
from harness.netlist.lanes import ALL, Lanes, Rows
from harness.netlist.layout import (
    DIRTY,
    DRIVEN,
    FOUGHT,
    FROZEN,
    KEEP,
    LANES,
    LEVEL,
    LINES,
    LIVE,
    RAILS,
    RAW,
    SEEN,
    SPEAKING,
    UNKNOWN,
    VARY,
    VARY_LEVEL,
    VARY_MASK,
    VARYING,
    Tables,
)
from harness.netlist.pins import spread_bit, vector

Words = NDArray[np.uint32]

_NONE = np.uint64(0)
_DRIVE, _ENABLE, _PULSE, _EXPECT, _CARE, _HIGHZ, _COUNT, _UNTIL = range(8)


@compiled
def happens(seed: np.uint64, cycle: np.uint64, chance: np.uint64) -> np.bool_:
    """Decide by the finaliser of SplitMix64 whether something happens in a cycle."""
    mixed = seed * np.uint64(0xD1B54A32D192ED03) + cycle * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (mixed ^ (mixed >> np.uint64(31))) <= chance


@compiled
def _in_force(t: Tables, index: int, cycle: int, clock_hz: int) -> bool:
    """Whether something that varies is in force in a cycle.

    ``VARY`` has for each: patch or -1, blocks that it concerns, line or -1, limit in Hz or -1,
    largest hash, seed. What has a limit is in force above it.
    """
    at = t[VARY] + 6 * index
    if t[at + 3] >= 0:
        return bool(clock_hz > t[at + 3])
    return bool(happens(np.uint64(t[at + 5]), np.uint64(cycle), np.uint64(t[at + 4])))


@inlined
def begin_cycle(v: Lanes, t: Tables, cycle: int, clock_hz: int) -> None:
    """Decide which of the varying patches force in this cycle.

    A slow one shows what its pin would have shown at the end of the cycle before.
    """
    for index in range(t[VARYING]):
        at = t[VARY] + 6 * index
        patch = t[at]
        if patch < 0:
            continue
        mask, level = take(v, t[VARY_MASK] + index), take(v, t[VARY_LEVEL] + index)
        if t[at + 3] >= 0:
            level = take(v, t[RAW] + patch)
        if not _in_force(t, index, cycle, clock_hz):
            mask = spread(v, _NONE)
        put(v, t[KEEP] + patch, ~mask)
        put(v, t[LEVEL] + patch, level & mask)
        t[DIRTY] |= t[at + 1]


@inlined
def _stick(v: Lanes, t: Tables, cycle: int, clock_hz: int) -> None:
    """Override lines that are stuck, in what is read."""
    for index in range(t[VARYING]):
        line = t[t[VARY] + 6 * index + 2]
        if line >= 0 and _in_force(t, index, cycle, clock_hz):
            mask, level = take(v, t[VARY_MASK] + index), take(v, t[VARY_LEVEL] + index)
            put(v, t[SEEN] + line, (take(v, t[SEEN] + line) & ~mask) | (level & mask))
            put(v, t[DRIVEN] + line, take(v, t[DRIVEN] + line) | mask)
            put(v, t[UNKNOWN] + line, take(v, t[UNKNOWN] + line) & ~mask)


@inlined
def _cycle(
    v: Lanes, t: Tables, ops: Operations, rows: Rows, row: int, cycle: int, clock_hz: int
) -> int:
    """Run one cycle and read; gives a flop that did not settle, or SETTLED."""
    begin_cycle(v, t, cycle, clock_hz)
    enable = rows[row, _ENABLE]
    trouble = vector(v, t, ops, rows[row, _DRIVE], enable, rows[row, _PULSE] & enable)
    _stick(v, t, cycle, clock_hz)
    return trouble


@compiled
def run_words(
    v: Lanes, t: Tables, ops: Operations, rows: Rows, extent: Tables, found: Rows
) -> tuple[int, bool, int]:
    """Run cycles of the first lane; what is read goes to ``found``: seen, floating, unknown.

    ``extent``: the fields of :class:`harness.netlist.Extent`. Gives the cycles run, whether its
    condition was met, and a flop that did not settle, or SETTLED.
    """
    limit, expect, care = extent[0], extent[1], extent[2]
    first_cycle, clock_hz, tolerated = extent[3], extent[4], extent[5]
    restless, used, matched, failures = SETTLED, 0, False, 0
    for count in range(limit):
        row = min(count, len(rows) - 1)
        trouble = _cycle(v, t, ops, rows, row, first_cycle + count, clock_hz)
        drive, enable = rows[row, _DRIVE], rows[row, _ENABLE]
        high, driven, vague = _NONE, _NONE, _NONE
        left = t[SPEAKING]
        while left != 0:
            line = lowest_place(left)
            left &= left - 1
            bit = np.uint64(line)
            high |= (head(take(v, t[SEEN] + line)) & np.uint64(1)) << bit
            driven |= (head(take(v, t[DRIVEN] + line)) & np.uint64(1)) << bit
            if t[RAILS] == 2:
                vague |= (head(take(v, t[UNKNOWN] + line)) & np.uint64(1)) << bit
        found[row, 0] = (drive & enable) | (np.int64(high & driven) & ~enable)
        found[row, 1] = rows[row, _HIGHZ] & ~enable & ~np.int64(driven)
        found[row, 2] = np.int64(vague) & ~enable
        used = count + 1
        if trouble != SETTLED:
            restless, failures = trouble, failures + 1
            put(v, t[FROZEN], spread(v, _NONE))
            if failures > tolerated:
                break
        if care != 0 and ((found[row, 0] ^ expect) & care) == 0:
            matched = True
            break
    return used, matched, restless


# What is kept of each lane over a table, in entries of an array of its own: 33 counters (of
# mismatches on each line, and of wrong cycles) of 32 entries each, bit by bit; lanes that have
# failed; for each line, lanes in which its level was tested and nothing drove it; mismatches of the
# present cycle on each line and lanes that are looked at; the signature, with room to work it
# out.
COUNTERS = 0
FAILED = 33 * 32
FLOATED = FAILED + 1
SCRATCH = FLOATED + 32
CRC = SCRATCH + 33


@compiled
def _fold(w: Lanes, folding: Tables) -> None:
    """Take the word that was XORed into the state into the signature."""
    for index in range(len(folding)):
        value = take(w, CRC + folding[index, 1])
        if folding[index, 2] >= 0:
            value = value ^ take(w, CRC + folding[index, 2])
        put(w, CRC + folding[index, 0], value)


@compiled
def _count(w: Lanes, counter: int, value: Any) -> None:
    """Add 1 to a counter in some lanes."""
    place = COUNTERS + counter * 32
    while some(value):
        bit = take(w, place)
        put(w, place, bit ^ value)
        value = value & bit
        place += 1


@compiled
def _line_read(v: Lanes, t: Tables, drive: int, enable: int, line: int) -> Any:
    """What the controller reads on a line."""
    if (enable >> line) & 1:
        return spread_bit(v, drive, line)
    return take(v, t[SEEN] + line) & take(v, t[DRIVEN] + line)


@compiled
def _judge(
    v: Lanes, t: Tables, w: Lanes, folding: Tables, rows: Rows, row: int, cycle: int, kept: Rows
) -> None:
    """Compare what is read in one cycle, as the board does."""
    drive, enable, care = rows[row, _DRIVE], rows[row, _ENABLE], rows[row, _CARE]
    highz = 0 if rows[row, _UNTIL] else rows[row, _HIGHZ]
    bad, left = spread(v, _NONE), care | highz
    while left != 0:
        line = lowest_place(left)
        left &= left - 1
        loose = wrong = tested = spread(v, _NONE)
        if not (enable >> line) & 1:
            loose = ~take(v, t[DRIVEN] + line)
        if (care >> line) & 1:
            tested = _line_read(v, t, drive, enable, line)
            wrong = tested ^ spread_bit(v, rows[row, _EXPECT], line)
        if (highz >> line) & 1:
            wrong, tested = wrong | ~loose, tested | loose
        elif (care >> line) & 1:
            put(w, FLOATED + line, take(w, FLOATED + line) | loose)
        put(w, CRC + line, take(w, CRC + line) ^ tested)
        put(w, SCRATCH + line, wrong)
        bad = bad | wrong
        if some(wrong):
            _count(w, line, wrong)
    _fold(w, folding)
    if some(bad):
        _count(w, LINES, bad)
        fresh = bad & ~take(w, FAILED)
        if some(fresh):
            put(w, FAILED, take(w, FAILED) | bad)
            put(w, SCRATCH + LINES, fresh)
            _keep_first(v, t, w, rows, row, cycle, kept)


@compiled
def bit_of(v: Lanes, entry: int, lane: int) -> int:
    """One lane of an entry."""
    wide = v.size // len(v)
    word = v.reshape(-1)[entry * wide + lane // 64]
    return int((word >> np.uint64(lane % 64)) & np.uint64(1))


# ``kept`` has for each lane: cycle, row, word and mismatching pins of the first wrong cycle;
# cycles by which rows with ``until`` put it ahead; and cycles used by each of these rows.
_CYCLE, _ROW, _SEEN, _WRONG, EXTRA, USED = range(6)


@compiled
def _keep_first(
    v: Lanes, t: Tables, w: Lanes, rows: Rows, row: int, cycle: int, kept: Rows
) -> None:
    """Note the first wrong cycle of the lanes in the last entry of the scratch space."""
    drive, enable = rows[row, _DRIVE], rows[row, _ENABLE]
    tested = rows[row, _CARE] | rows[row, _HIGHZ]
    for lane in range(t[LANES]):
        if bit_of(w, SCRATCH + LINES, lane) == 0:
            continue
        seen, wrong = drive & enable, 0
        for line in range(LINES):
            if (tested >> line) & 1:
                wrong |= bit_of(w, SCRATCH + line, lane) << line
            if not (enable >> line) & 1:
                level = bit_of(v, t[SEEN] + line, lane) & bit_of(v, t[DRIVEN] + line, lane)
                seen |= level << line
        kept[lane, _CYCLE], kept[lane, _ROW] = cycle + kept[lane, EXTRA], row
        kept[lane, _SEEN], kept[lane, _WRONG] = seen, wrong


@compiled
def _waits(
    v: Lanes, t: Tables, w: Lanes, rows: Rows, row: int, left: int, kept: Rows, which: int
) -> bool:
    """Note the lanes in which a row has matched: they get no more pulses. Gives if any still waits.

    ``left``: cycles that may follow. ``which``: where the cycles that a lane has used are kept.
    """
    drive, enable, expect = rows[row, _DRIVE], rows[row, _ENABLE], rows[row, _EXPECT]
    live = take(v, t[LIVE])
    over, care = live, rows[row, _CARE] if left > 0 else 0
    while care != 0:
        line = lowest_place(care)
        care &= care - 1
        over = over & ~(_line_read(v, t, drive, enable, line) ^ spread_bit(v, expect, line))
        if not (enable >> line) & 1:
            over = over & ~take(v, t[UNKNOWN] + line)
    if some(over):
        put(w, SCRATCH + LINES, over)
        for lane in range(t[LANES]):
            if bit_of(w, SCRATCH + LINES, lane):
                kept[lane, which] = rows[row, _COUNT] - left
                kept[lane, EXTRA] += kept[lane, which] - 1
    live = live & ~over
    put(v, t[LIVE], live)
    return bool(some(live))


@compiled
def _note(v: Lanes, t: Tables, rows: Rows, row: int, notes: Tables) -> None:
    """Note lines that are unknown in a lane while they are tested, and those that both drive."""
    highz = 0 if rows[row, _UNTIL] else rows[row, _HIGHZ]
    left = (rows[row, _CARE] | highz) & ~rows[row, _ENABLE]
    while left != 0:
        line = lowest_place(left)
        left &= left - 1
        if some(take(v, t[UNKNOWN] + line)):
            notes[row, 0] |= 1 << line
    notes[row, 1] |= t[FOUGHT]
    t[FOUGHT] = 0


@inlined
def _note_levels(v: Lanes, t: Tables, ops: Operations, levels: Lanes) -> None:
    """Note lanes in which each slot is 1, and behind these lanes in which each is 0."""
    slots = len(levels) // 2
    if slots > 0:
        show(v, t, ops, EVERYTHING)
    for slot in range(slots):
        value = take(v, slot)
        put(levels, slot, take(levels, slot) | value)
        put(levels, slots + slot, take(levels, slots + slot) | ~value)


@compiled
def run_table(
    v: Lanes,
    t: Tables,
    ops: Operations,
    w: Lanes,
    folding: Tables,
    rows: Rows,
    lead: int,
    clock_hz: int,
    kept: Rows,
    notes: Tables,
    levels: Lanes,
) -> None:
    """Run a table and judge every lane, but for the first ``lead`` rows: they come before it.

    ``notes``: ``(rows, 2)`` words of what is noted of each row, see ``_note``; or no rows.
    ``levels``: two entries for each slot of which it is noted after each cycle (of a row with
    ``until`` after the last one) in which lanes it is 1, and 0; or none.
    """
    cycle, which = 0, USED
    for row in range(len(rows)):
        until, count = rows[row, _UNTIL] != 0, rows[row, _COUNT]
        for used in range(count):
            _cycle(v, t, ops, rows, row, cycle + used if until else cycle, clock_hz)
            if until:
                if _waits(v, t, w, rows, row, count - used - 1, kept, which):
                    continue
                put(v, t[LIVE], spread(v, ALL))
                which += 1
            if until or row >= lead:
                _judge(v, t, w, folding, rows, row, cycle, kept)
                if len(notes):
                    _note(v, t, rows, row, notes)
                _note_levels(v, t, ops, levels)
                cycle += 1
            if until:
                break

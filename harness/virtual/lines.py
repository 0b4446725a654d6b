"""The compiled loop over a virtual board's cycles: controller, lines, contacts, pads, chip.

The one rule: what stands between the controller's words and the chip's pins is here, and nowhere
else; what the engine has of pins is used for its own hypotheses only, so that both can be compared.
A line has the number of its controller bit, and ``b`` is the board as ``wiring`` makes it: numbers,
then the words that hold in the present cycle, then a row for each fault and for each pin that is on
another line than its own. ``v``, ``t`` and ``ops`` are the selected design's machine.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.netlist import (
    SETTLED,
    Operations,
    Rows,
    Tables,
    begin_cycle,
    compiled,
    happens,
    inlined,
    read_pins,
    set_pins,
    start,
)

Lanes = NDArray[np.uint64]

(
    FAULTS,  # number of rows, from HEAD on
    MOVED,  # number of pairs (pin, line) behind them
    AT_HOME,  # pins on the line of their own number
    STALE,  # 1: the words must be worked out
    VARIES,  # 1: that holds for every cycle
    SHORTS,  # 1: there are shorted lines, in some cycles at least
    SELECTS,  # pins that select
    SELECTED,  # their levels at the end of the cycle before
    SELECTING,  # their levels in the present cycle, and while others are pulsed
    PULSED,
    LEVEL,  # what the chip drove at the end of the cycle before
    DRIVEN,
    # Words that hold in a cycle: pins or lines concerned, and the levels of some.
    OPEN,
    HELD,
    HELD_LEVEL,
    BLIND,
    BLIND_LEVEL,
    MUTE,
    NEVER_LOW,
    NEVER_HIGH,
    STUCK,
    STUCK_LEVEL,
    SHORT,
    SHORT_OR,
    HEAD,
) = range(25)
WORD, MASK, HIGH, CHANCE, PER_RUN, SEED, IN_FORCE, FAULT = range(8)
"""A fault: the word, its bits, those of them that are high in the next word; when; at present."""

_ROUNDS = 16
"""What still changes after so many rounds through shorted lines swings, and is read as it is."""


@inlined
def _weigh(b: Tables, cycle: int, run: int) -> None:
    """Work out which faults are in force, and the words that follow."""
    for word in range(OPEN, HEAD):
        b[word] = 0
    for fault in range(b[FAULTS]):
        at = HEAD + FAULT * fault
        when = run if b[at + PER_RUN] == 1 else cycle
        chance, seed = np.uint64(b[at + CHANCE]), np.uint64(b[at + SEED])
        b[at + IN_FORCE] = happens(seed, np.uint64(when), chance)
        if b[at + IN_FORCE]:
            b[b[at + WORD]] |= b[at + MASK]
            b[b[at + WORD] + 1] |= b[at + HIGH]
    b[STALE] = b[VARIES]


@inlined
def _to_pins(b: Tables, lines: int) -> int:
    """What reaches the chip's pins of a word of lines."""
    pins = lines & b[AT_HOME]
    for move in range(b[MOVED]):
        at = HEAD + FAULT * b[FAULTS] + 2 * move
        pins |= ((lines >> b[at + 1]) & 1) << b[at]
    return int(pins & ~b[OPEN])


@inlined
def _to_lines(b: Tables, pins: int) -> int:
    """What reaches the lines of a word of the chip's pins."""
    pins &= ~b[OPEN]
    lines = pins & b[AT_HOME]
    for move in range(b[MOVED]):
        at = HEAD + FAULT * b[FAULTS] + 2 * move
        lines |= ((pins >> b[at]) & 1) << b[at + 1]
    return int(lines)


@inlined
def _carried(b: Tables, levels: int, enable: int, chip: int, driven: int) -> tuple[int, int]:
    """What the lines carry, and which carry anything; between two drivers the controller wins."""
    chip, driven = _to_lines(b, chip), _to_lines(b, driven)
    level, has = levels | (chip & driven & ~enable), enable | driven
    if b[SHORTS]:
        high, low = levels | (chip & driven), (enable & ~levels) | (driven & ~chip)
        high = (high & ~b[HELD]) | b[HELD_LEVEL]
        low = (low & ~b[HELD]) | (b[HELD] & ~b[HELD_LEVEL])
        for _ in range(b[FAULTS]):  # as often as a chain of shorts may be long
            for fault in range(b[FAULTS]):
                at = HEAD + FAULT * fault
                if b[at + WORD] == SHORT and b[at + IN_FORCE]:
                    both = b[at + MASK]
                    high |= both if high & both else 0
                    low |= both if low & both else 0
        joined = high & (~low | b[SHORT_OR])
        level = (level & ~b[SHORT]) | (joined & b[SHORT])
        has |= (high | low) & b[SHORT]
    return int((level & ~b[HELD]) | b[HELD_LEVEL]), int(has | b[HELD])


@inlined
def _outside(b: Tables, levels: int, enable: int, chip: int, driven: int) -> tuple[int, int]:
    """Levels that the chip's core gets from outside at its pins, and where."""
    lines, has = _carried(b, levels, enable, chip, driven)
    pins = (_to_pins(b, lines) & ~b[BLIND]) | b[BLIND_LEVEL]
    return int(pins), int(_to_pins(b, has) | b[BLIND])


@inlined
def _driving(v: Lanes, t: Tables, ops: Operations, b: Tables) -> None:
    """Work out what the chip drives at its pins, past its pads."""
    level, driven = read_pins(v, t, ops)
    driven &= ~((b[NEVER_LOW] & ~level) | (b[NEVER_HIGH] & level))
    b[LEVEL] = (level & ~b[STUCK]) | b[STUCK_LEVEL]
    b[DRIVEN] = (driven | b[STUCK]) & ~b[MUTE]


@inlined
def _settle(v: Lanes, t: Tables, ops: Operations, b: Tables, levels: int, enable: int) -> int:
    """Let levels of the controller take effect; gives a flop that did not settle, or SETTLED.

    Where lines are shorted, what the chip drives comes back to it, and that is repeated.
    """
    if not b[SHORTS]:
        pins, has = _outside(b, levels, enable, 0, 0)
        return set_pins(v, t, ops, pins, has)
    trouble, last, last_has = SETTLED, -1, -1
    for _ in range(_ROUNDS):
        _driving(v, t, ops, b)
        pins, has = _outside(b, levels, enable, b[LEVEL], b[DRIVEN])
        if pins == last and has == last_has:
            break
        trouble = max(trouble, set_pins(v, t, ops, pins, has))
        last, last_has = pins, has
    return trouble


@inlined
def _selecting(b: Tables, levels: int, enable: int, pulse: int) -> bool:
    """Whether a pin that selects moves in a cycle.

    What the chip itself drives counts here as it was at the end of the cycle before.
    """
    before, _ = _outside(b, levels, enable, b[LEVEL], b[DRIVEN])
    pulsed, _ = _outside(b, levels ^ pulse, enable, b[LEVEL], b[DRIVEN])
    b[SELECTING], b[PULSED] = before & b[SELECTS], pulsed & b[SELECTS]
    return bool(b[SELECTING] != b[SELECTED] or b[PULSED] != b[SELECTING])


@compiled
def power_up(
    v: Lanes, t: Tables, ops: Operations, b: Tables, row: Tables, inputs: int, now: Tables
) -> int:
    """Power a design up with what is at the chip's pins in a cycle; gives as :func:`_settle`."""
    if b[STALE]:
        _weigh(b, now[0], now[1])
    pins, has = _outside(b, row[0] & row[1], row[1], 0, 0)
    return start(v, t, ops, pins, has, inputs)


@compiled
def run_cycles(
    v: Lanes, t: Tables, ops: Operations, b: Tables, rows: Rows, extent: Tables, found: Rows
) -> tuple[int, bool, int, bool]:
    """Run cycles; what is read goes to ``found``: levels, and which ``highz`` bits float.

    ``extent``: the fields of :class:`harness.netlist.Extent`, the number of the run, and 1 if the
    selection of the first cycle is known. Gives the cycles run, whether the condition was met, a
    flop that did not settle or SETTLED, and whether the next cycle selects: it was not run then.
    """
    limit, expect, care, first_cycle = extent[0], extent[1], extent[2], extent[3]
    clock_hz, tolerated, run, known = extent[4], extent[5], extent[6], extent[7]
    restless, failures = SETTLED, 0
    for count in range(limit):
        row = min(count, len(rows) - 1)
        enable = rows[row, 1]
        levels, pulse = rows[row, 0] & enable, rows[row, 2] & enable
        if b[STALE]:
            _weigh(b, first_cycle + count, run)
        if _selecting(b, levels, enable, pulse) and not (known and count == 0):
            return count, False, restless, True
        begin_cycle(v, t, first_cycle + count, clock_hz)
        trouble = SETTLED
        for step in range(3 if pulse else 1):
            now = levels ^ pulse if step == 1 else levels
            trouble = max(trouble, _settle(v, t, ops, b, now, enable))
        _driving(v, t, ops, b)
        lines, has = _carried(b, levels, enable, b[LEVEL], b[DRIVEN])
        found[row, 0] = lines & has
        found[row, 1] = rows[row, 5] & ~enable & ~has
        if trouble != SETTLED:
            restless, failures = trouble, failures + 1
            if failures > tolerated:
                return count + 1, False, restless, False
        if care != 0 and ((found[row, 0] ^ expect) & care) == 0:
            return count + 1, True, restless, False
    return limit, False, restless, False

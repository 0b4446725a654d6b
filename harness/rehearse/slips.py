"""What an author may have got wrong in a table that fails on its own netlist.

One rule: a slip is named only if the table passes without it, from every power-up state.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from harness.netlist import HEALTHY, Netlist, Pin, Rows
from harness.rehearse.gates import judge_each
from harness.shuttle import Bus, Design, Direction

DRIVE, ENABLE, PULSE, EXPECT, CARE, HIGHZ = range(6)
"""Columns of rows that hold words, as :class:`harness.netlist.Rows` has them."""

MAX_TRIES = 100
"""Maximum number of slips tried for one table."""


class Failing(NamedTuple):
    """The first wrong row of a table, and what its netlist answers there, in words."""

    row: int
    answer: str


def slips(
    netlist: Netlist, pins: Sequence[Pin], design: Design, rows: Rows, lead: int, failing: Failing
) -> tuple[str, ...]:
    """Name what would make a table pass."""
    named = []
    for count, (text, changed) in enumerate(_tries(design, rows, lead, failing)):
        if count == MAX_TRIES:
            break
        if changed is not None and _passes(netlist, pins, changed, lead):
            named.append(text)
    return tuple(named)


def _passes(netlist: Netlist, pins: Sequence[Pin], rows: Rows, lead: int) -> bool:
    """Whether the rows pass from every state, and still test something."""
    judged = judge_each(netlist, pins, [HEALTHY], rows, lead)
    return bool((rows[lead:, CARE] | rows[lead:, HIGHZ]).any() and not judged.wrong_cycles.any())


def _tries(
    design: Design, rows: Rows, lead: int, failing: Failing
) -> Iterator[tuple[str, Rows | None]]:
    """Yield each slip in words, and the rows without it; None where it cannot have happened."""
    buses = [bus for bus in design.signals if bus.direction is not Direction.CLOCK]
    outputs = [bus for bus in buses if int(np.bitwise_or.reduce(rows[:, CARE])) & bus.mask]
    yield f"if this row alone expects {failing.answer}", _untested(rows, lead, failing.row + lead)
    for bus in outputs:
        for step, when in ((1, "later"), (-1, "earlier")):
            yield f"if {bus.title} is expected one row {when}", _shifted(rows, lead, bus, step)
    for bus in outputs:
        yield f"if {bus.title} is inverted", _inverted(rows, lead, bus)
    for bus in buses:
        if bus.width > 1:
            bits = [pin.bit for pin in bus.pins]
            yield f"if {bus.title} is read in the reverse order", _moved(rows, bits, bits[::-1])
    for one, other in combinations(buses, 2):
        if (one.width, one.direction) == (other.width, other.direction):
            a, b = ([pin.bit for pin in bus.pins] for bus in (one, other))
            text = f"if {one.title} and {other.title} are exchanged"
            yield text, _moved(rows, [*a, *b], [*b, *a])


def _untested(rows: Rows, lead: int, failing: int) -> Rows | None:
    """The rows without the tests of one of them; None if no other row tests anything."""
    changed = rows.copy()
    changed[failing, [EXPECT, CARE, HIGHZ]] = 0
    return changed if changed[lead:, CARE].any() else None


def _shifted(rows: Rows, lead: int, bus: Bus, step: int) -> Rows:
    """Move what is expected on a bus by one row; nothing is tested where nothing moved in."""
    changed = rows.copy()
    table = changed[lead:]
    for column in (EXPECT, CARE, HIGHZ):
        moved = np.roll(table[:, column] & bus.mask, step)
        moved[0 if step > 0 else -1] = 0
        table[:, column] = (table[:, column] & ~bus.mask) | moved
    return changed


def _inverted(rows: Rows, lead: int, bus: Bus) -> Rows:
    changed = rows.copy()
    changed[lead:, EXPECT] ^= changed[lead:, CARE] & bus.mask
    return changed


def _moved(rows: Rows, bits: Sequence[int], places: Sequence[int]) -> Rows:
    """Put each of these bits into another place, in every word."""
    moves: Mapping[int, int] = dict(zip(bits, places, strict=True))
    changed = rows.copy()
    mask = sum(1 << bit for bit in moves)
    for column in (DRIVE, ENABLE, PULSE, EXPECT, CARE, HIGHZ):
        word = rows[:, column]
        moved = sum(((word >> bit) & 1) << place for bit, place in moves.items())
        changed[:, column] = (word & ~mask) | moved
    return changed

"""The face of the engine: a chip that runs, and a table judged in any number of lanes.

The one rule: nothing here evaluates gates; both go through the loops of ``cycles``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.netlist.assembly import Machines, assemble
from harness.netlist.cycles import (
    COUNTERS,
    CRC,
    EXTRA,
    FLOATED,
    USED,
    Words,
    run_table,
    run_words,
)
from harness.netlist.kernel import SETTLED
from harness.netlist.lanes import (
    ALL,
    FULL,
    HEALTHY,
    Extent,
    Lane,
    Lanes,
    Pin,
    Rows,
    new_lanes,
    unpack,
    width,
)
from harness.netlist.layout import FROZEN, LINES, SPEAKING, WATCHED, Tables
from harness.netlist.model import Netlist
from harness.netlist.pins import start
from harness.netlist.signature import crc_operations

_NO_NOTES = np.zeros((0, 2), dtype=np.int64)


class Chip:
    """One lane that keeps its state from one run to the next.

    It powers up with the levels on its lines in the first cycle that is run, without an edge.
    """

    def __init__(
        self,
        netlist: Netlist,
        pins: Sequence[Pin],
        lane: Lane,
        state: NDArray[np.integer],
        values: int = 2,
    ) -> None:
        self._machines = assemble(netlist, pins, [lane], state.reshape(-1, 1), values)
        self._powered = False

    def run(self, rows: Rows, extent: Extent) -> tuple[Rows, int, bool, str]:
        """Run cycles: what is read in each row (seen, floating, unknown), and how far it came.

        That is the cycles run, whether the condition of ``extent`` was met, and the name of a net
        that did not settle, or nothing.
        """
        machine = self._machines.machine
        if not self._powered:
            start(*machine, rows[0, 0], rows[0, 1], self._machines.inputs)
            self._powered = True
        found = np.zeros((len(rows), 3), dtype=np.int64)
        used, matched, restless = run_words(*machine, rows, np.array(extent), found)
        name = "" if restless == SETTLED else self._machines.name(restless)
        return found, used, matched, name


@dataclass(frozen=True, eq=False)
class Verdicts:
    """What a table gives in each lane, as the board would count it; first axis: lanes.

    ``wrong_cycles``; ``pin_counts`` ``(lanes, 32)`` mismatches a line; ``first_cycle`` -1 where
    there is none, ``first_row``, ``first_seen``, ``first_wrong``; ``signature`` CRC-32 of the
    tested bits; ``floated`` lines whose level was tested while nothing drove them; ``cycles``
    taken; ``until_used`` ``(lanes, rows with until)``; ``unsettled`` lanes in which something
    never came to rest: from there on they are void.
    """

    wrong_cycles: NDArray[np.int64]
    pin_counts: NDArray[np.int64]
    first_cycle: NDArray[np.int64]
    first_row: NDArray[np.int64]
    first_seen: Words
    first_wrong: Words
    signature: Words
    floated: Words
    cycles: NDArray[np.int64]
    until_used: NDArray[np.int64]
    unsettled: NDArray[np.bool_]


def judge(
    netlist: Netlist,
    pins: Sequence[Pin],
    lanes: Sequence[Lane],
    states: NDArray[np.integer],
    rows: Rows,
    *,
    lead: int = 0,
    clock_hz: int = 0,
    heed: Callable[[], None] = lambda: None,
) -> Verdicts:
    """Run a table in every lane, each from its own power-up state, and judge it.

    ``states`` is ``(flops, lanes)``. The first ``lead`` rows come before the table (a reset):
    they are run and not judged. Any number of lanes; 512 are run at once, and ``heed`` is called
    before that: what it raises ends the work.
    """
    parts = []
    for a, b in _spans(len(lanes)):
        heed()
        machines = assemble(netlist, pins, lanes[a:b], states[:, a:b])
        parts.append(_judged(machines, rows, lead, clock_hz, _NO_NOTES))
    return Verdicts(*(np.concatenate(column) for column in zip(*parts, strict=True)))


@dataclass(frozen=True, eq=False)
class Notes:
    """What no verdict says of a table: a word of lines for each of its rows, over all lanes.

    ``unknown``: tested while a lane does not know the answer. ``contended``: driven by the board
    while the chip surely drives too, at the end of a cycle or in its midst.
    """

    unknown: Words
    contended: Words


def judge_closely(
    netlist: Netlist, pins: Sequence[Pin], states: NDArray[np.integer], rows: Rows, lead: int = 0
) -> tuple[Verdicts, Notes]:
    """Judge a table on healthy chips, and note what a verdict does not say.

    ``states`` is ``(flops, lanes)``, at most 512, with 2 for unknown; an output that a lane does
    not know is 0 in its verdict, and no wait ends by it.
    """
    machines = assemble(netlist, pins, [HEALTHY] * states.shape[1], states, values=3)
    t = machines.machine.t
    t[WATCHED] = t[SPEAKING]
    notes = np.zeros((len(rows), 2), dtype=np.int64)
    columns: tuple[Any, ...] = _judged(machines, rows, lead, 0, notes)
    unknown, contended = notes[lead:].T.astype(np.uint32)
    return Verdicts(*columns), Notes(unknown, contended)


def levels_reached(
    netlist: Netlist,
    pins: Sequence[Pin],
    lanes: Sequence[Lane],
    states: NDArray[np.integer],
    rows: Rows,
    lead: int = 0,
) -> NDArray[np.bool_]:
    """Run a table as :func:`judge` does, and say which levels nets reach: ``(2, lanes, nets)``.

    First whether a net is 0 after some cycle of the table, then whether it is 1 after some.
    """
    parts = []
    for a, b in _spans(len(lanes)):
        machines = assemble(netlist, pins, lanes[a:b], states[:, a:b])
        slots = machines.compiled.slots
        levels = new_lanes(2 * slots, width(machines.machine.v))
        _run(machines, rows, lead, 0, _NO_NOTES, levels)
        ones, zeros = unpack(levels, b - a).reshape(2, slots, b - a)
        seen = machines.compiled.seen[0]
        parts.append(np.stack((zeros[seen].T, ones[seen].T)))
    return np.concatenate(parts, axis=1).astype(np.bool_)


def levels_after(
    netlist: Netlist, pins: Sequence[Pin], lanes: Sequence[Lane], rows: Rows
) -> NDArray[np.bool_]:
    """Run a table from an unknown state, and say where nets are left: ``(2, lanes, nets)``.

    First whether a net is surely 1 after the last cycle, then whether it is surely 0.
    """
    last = rows[-1:].copy()
    if not last[0, 7] and last[0, 6] > 1:  # its own row, so that only the last cycle is noted
        last[0, 6] -= 1
        rows = np.concatenate((rows[:-1], last, rows[-1:]))
        rows[-1, 6] = 1
    parts = []
    for a, b in _spans(len(lanes)):
        states = np.full((netlist.flop_count, b - a), 2)
        machines = assemble(netlist, pins, lanes[a:b], states, values=3)
        slots = machines.compiled.slots
        levels = new_lanes(2 * slots, width(machines.machine.v))
        _run(machines, rows, len(rows) - 1, 0, _NO_NOTES, levels)
        parts.append(unpack(levels, b - a)[machines.compiled.seen].swapaxes(1, 2))
    return np.concatenate(parts, axis=1).astype(np.bool_)


def _spans(lanes: int) -> Iterator[tuple[int, int]]:
    for first in range(0, lanes, FULL):
        yield first, min(first + FULL, lanes)


def _run(
    machines: Machines, rows: Rows, lead: int, clock_hz: int, notes: Tables, levels: Lanes
) -> tuple[Lanes, NDArray[np.int64]]:
    """Run one set of lanes; gives what is kept of them, see ``cycles``."""
    machine, folding = machines.machine, crc_operations()
    w = new_lanes(CRC + int(folding.max()) + 1, width(machine.v))
    w[CRC : CRC + 32] = ALL
    kept = np.zeros((machines.lanes, USED + int((rows[:, 7] != 0).sum())), dtype=np.int64)
    kept[:, :2] = -1
    start(*machine, rows[0, 0], rows[0, 1], machines.inputs)
    run_table(*machine, w, folding, rows, lead, clock_hz, kept, notes, levels)
    return w, kept


def _judged(
    machines: Machines, rows: Rows, lead: int, clock_hz: int, notes: Tables
) -> tuple[NDArray[np.generic], ...]:
    """Run one set of lanes; the fields of :class:`Verdicts`."""
    machine, lanes, until = machines.machine, machines.lanes, rows[:, 7] != 0
    w, kept = _run(machines, rows, lead, clock_hz, notes, new_lanes(0, width(machine.v)))
    counts = _words(w[COUNTERS : COUNTERS + 32 * (LINES + 1)], lanes).astype(np.int64)
    at_frozen = machine.t[FROZEN]
    return (
        counts[LINES],
        counts[:LINES].T,
        kept[:, 0],
        kept[:, 1],
        kept[:, 2].astype(np.uint32),
        kept[:, 3].astype(np.uint32),
        ~_words(w[CRC : CRC + 32], lanes)[0],
        _words(w[FLOATED : FLOATED + 32], lanes)[0],
        int(np.where(until, 1, rows[:, 6])[lead:].sum()) + kept[:, EXTRA],
        kept[:, USED:],
        unpack(machine.v[at_frozen : at_frozen + 1], lanes)[0].astype(np.bool_),
    )


def _words(entries: Lanes, lanes: int) -> Words:
    """Entries, 32 for the bits of a word in each lane → ``(words, lanes)``."""
    bits = unpack(entries, lanes).reshape(-1, 32, lanes)
    octets = np.packbits(bits, axis=1, bitorder="little").swapaxes(1, 2)
    return np.ascontiguousarray(octets).view("<u4")[..., 0]

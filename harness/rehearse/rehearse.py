"""One table on its own design's netlist, from several power-up states.

One rule: what is said of a table is said of the table: there is no chip and no board here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.errors import netlist_advice
from harness.netlist import HEALTHY, Netlist, Rows
from harness.records import (
    BusValue,
    CodecError,
    EvidenceCycle,
    Rehearsal,
    RehearsalResult,
    TableRow,
    decode,
    encode,
    to_text,
    to_value,
)
from harness.rehearse.cache import Cache, key_of
from harness.rehearse.gates import STATES, Gates, code_key, power_up
from harness.rehearse.rows import table_rows
from harness.rehearse.slips import Failing, slips
from harness.rehearse.wrong import NOTHING_WRONG, Wrong, wrong_cycles
from harness.shuttle import Design, Direction, Shuttle, TableSpec
from harness.table import Names, Pattern, Words, bits

MAX_WORK = 5_000_000_000
"""Maximum number of gates times cycles; a table beyond it would take minutes."""

CYCLE = 50
"""What a cycle costs without any gate, in gates."""

MAX_SLIP_WORK = 10_000_000
"""The same for a table that fails, to be tried with up to 100 slips of its author in 10 s."""

MAX_SHOWN_ROWS = 4
"""Maximum number of rows named for each kind of remark; all are counted."""

KNOWN = slice(1, None)
"""The lanes that start from known levels; in the first all flops are unknown."""


class Rehearser:
    """Rehearses tables of one shuttle; what was worked out is kept in a cache."""

    def __init__(self, shuttle: Shuttle, cache: Cache) -> None:
        self._shuttle, self._cache, self._gates = shuttle, cache, Gates(shuttle)

    def rehearse(self, design: Design, spec: TableSpec, pattern: Pattern) -> Rehearsal:
        """Run a table on its design's netlist, or return what the cache has of the same run.

        Never raises because of a netlist: then the table was not rehearsed, and the result says
        why.
        """
        if design.netlist is None:
            why = f"the design has no netlist; {netlist_advice(design.name)}"
            return Rehearsal(RehearsalResult.NO_NETLIST, why)
        rows, lead = table_rows(pattern, spec, self._shuttle)
        key = key_of(
            "rehearsal",
            code_key(),
            self._gates.key(design.name),
            repr(self._shuttle.pins),
            repr(sorted(pattern.labels.items())),
            pattern.line.tobytes(),
            rows.tobytes(),
            str(lead),
        )
        kept = _decoded(self._cache.get(key))
        if kept is None:
            kept = self._worked_out(design, pattern, rows, lead)
            if kept.states:
                self._cache.put(key, to_text(encode(kept)).encode())
        return replace(kept, intended=spec.contention_intended)

    def wrong_cycles(self, design: Design, spec: TableSpec, pattern: Pattern) -> Wrong:
        """Work out all wrong cycles of a table, from the first power-up state that has any."""
        rows, lead = table_rows(pattern, spec, self._shuttle)
        model = self._gates.model(design.name)
        every = (wrong_cycles(model, HEALTHY, state, rows, lead) for state in range(STATES))
        return next((wrong for wrong in every if len(wrong.cycles)), NOTHING_WRONG)

    def _worked_out(self, design: Design, pattern: Pattern, rows: Rows, lead: int) -> Rehearsal:
        model = self._gates.model(design.name)
        if model is None:
            return _not_rehearsed("its netlist cannot be used; `harness check` says why")
        netlist, pins = model
        gates = netlist.gate_count + netlist.flop_count + CYCLE
        work = int(pattern.repeat.sum(dtype=np.int64)) * gates
        if work > MAX_WORK:
            return _not_rehearsed("with its repeats the table is too long to be rehearsed")
        judged = harness.netlist.judge_closely(netlist, pins, _states(netlist), rows, lead)
        if judged[0].unsettled[KNOWN].any():
            return _not_rehearsed("a net of the netlist never becomes stable")
        names = Names(self._shuttle, replace(pattern, signals=design.signals))
        reset = self._shuttle.mask(Direction.RESET) if lead else 0
        still = _still_inputs(design, rows[lead:], reset)
        found = _rehearsal(pattern, lead, names, tuple(map(names.both, bits(still))), *judged)
        if found.first is None or work > MAX_SLIP_WORK:
            return found
        failing = Failing(
            found.first.row, _answer(found.values, int(pattern.repeat[found.first.row]))
        )
        return replace(found, slips=slips(netlist, pins, design, rows, lead, failing))


def _not_rehearsed(why: str) -> Rehearsal:
    return Rehearsal(RehearsalResult.NOT_REHEARSED, why)


def _decoded(data: bytes | None) -> Rehearsal | None:
    """Read an entry; None if there is none, or one of another form of the record."""
    if data is None:
        return None
    try:
        return decode(Rehearsal, to_value(data), "rehearsal")
    except CodecError:
        return None


def _rehearsal(
    pattern: Pattern,
    lead: int,
    names: Names,
    still: tuple[str, ...],
    verdicts: harness.netlist.Verdicts,
    notes: harness.netlist.Notes,
) -> Rehearsal:
    """Put into words of the table what the engine gave, lane by lane and row by row."""
    failing = np.flatnonzero(verdicts.wrong_cycles[KNOWN]) + 1
    found = Rehearsal(
        RehearsalResult.FAILS if len(failing) else RehearsalResult.PASSES,
        states=STATES,
        failing_states=len(failing),
        contention=_table_rows(pattern, notes.contended, names),
        contended_rows=int(np.count_nonzero(notes.contended)),
        unknown=_table_rows(pattern, notes.unknown, names),
        unknown_rows=int(np.count_nonzero(notes.unknown)),
        still=still,
    )
    if not len(failing):
        return found
    lane = int(failing[np.argmin(verdicts.first_cycle[failing])])
    cycle, row = int(verdicts.first_cycle[lane]), int(verdicts.first_row[lane]) - lead
    wrong, seen = int(verdicts.first_wrong[lane]), int(verdicts.first_seen[lane])
    first = EvidenceCycle(
        cycle=cycle,
        row=row,
        line=int(pattern.line[row]),
        repetition=cycle - _cycles_before(pattern, row, verdicts.until_used[lane]),
        label=pattern.labels.get(row, ""),
        wrong=names.wrong_pins(row, wrong, seen, 0),
    )
    values = names.wrong_buses(row, wrong, seen)
    return replace(found, mismatches=int(verdicts.wrong_cycles[lane]), first=first, values=values)


def _answer(values: Sequence[BusValue], repetitions: int) -> str:
    """Say what a wrong row would have to expect; not where its repetitions may differ."""
    if repetitions > 1:
        return "something else"
    return ", ".join(f"{value.bus} = {value.observed}" for value in values)


def _states(netlist: Netlist) -> NDArray[np.uint64]:
    """Levels of the flops at power-up, ``(flops, lanes)``: unknown, then known ones."""
    unknown = np.full((netlist.flop_count, 1), 2, dtype=np.uint64)
    return np.hstack((unknown, power_up(netlist)))


def _cycles_before(pattern: Pattern, row: int, until_used: NDArray[np.int64]) -> int:
    """Cycles that the rows before this one took."""
    taken = pattern.repeat.astype(np.int64)
    taken[pattern.until] = until_used
    return int(taken[:row].sum())


def _table_rows(pattern: Pattern, words: Words, names: Names) -> tuple[TableRow, ...]:
    """Name the first rows with a bit set, and its pins."""
    return tuple(
        TableRow(int(row), int(pattern.line[row]), tuple(map(names.both, bits(int(words[row])))))
        for row in np.flatnonzero(words)[:MAX_SHOWN_ROWS]
    )


def _still_inputs(design: Design, rows: Rows, reset: int) -> int:
    """Inputs of the design that have one level in all rows and no pulse; ``reset`` has moved."""
    levels = rows[:, 0] & rows[:, 1]
    moved = int(np.bitwise_or.reduce(levels ^ levels[0] | rows[:, 2])) | reset
    inputs = (Direction.INPUT, Direction.CLOCK)
    return sum(bus.mask for bus in design.signals if bus.direction in inputs) & ~moved

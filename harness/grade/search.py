"""Rows that show one fault, found by a solver on the netlist unrolled row by row.

The one rule: three-valued, as grades are: the healthy and the faulty machine start from what each
surely knows after the rows before, and a row shows the fault only if both surely know the answer.
What is found is a proposal: the engine has the last word.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

import harness.netlist
from harness.grade.attempt import Bench
from harness.grade.formula import ONE, ZERO, Answer, Formula, Literal, Nets, Rails
from harness.netlist import HEALTHY, Netlist, Pin, PortDirection, stuck_lanes

State = list[Rails]
"""The flops, in the order of ``netlist.tables.q``."""

MAX_DEPTH = 32
"""Maximum number of rows that are unrolled for one fault."""

_MAX_GATES = 20_000
"""Gates that are unrolled, at most: large designs get fewer rows."""

_EFFORT = 2_000
"""Conflicts for one question; what takes more is given up."""


def unsearchable(bench: Bench) -> str:
    """Why the rows cannot be unrolled; empty if they can."""
    netlist = bench.netlist
    pulsed = {pin.net for pin in bench.pins if bench.reach.clocks >> pin.bit & 1}
    if netlist.tables.groups[:, 4].any():
        return "the design has latches"
    if {int(net) for net in netlist.tables.groups[:, 2]} - pulsed:
        return "logic clocks some of its flip-flops"
    return ""


def depth_of(netlist: Netlist) -> int:
    """How many rows are unrolled at most."""
    return max(min(MAX_DEPTH, _MAX_GATES // max(netlist.gate_count, 1)), 1)


@dataclass(frozen=True, eq=False)
class _Row:
    """One row: what is driven, and the levels of all nets when it is tested."""

    sources: Mapping[int, Rails]
    settled: Sequence[Rails]
    levels: Sequence[Rails]
    after: State


@dataclass(frozen=True)
class Choice:
    """What a row drives: levels and enables of pins that matter, by their bits."""

    levels: Mapping[int, bool]
    enables: Mapping[int, bool]


class Search:
    """The rows after those of a bench, unrolled: once healthy, and for fault after fault."""

    def __init__(self, bench: Bench) -> None:
        self._bench, self._netlist = bench, bench.netlist
        self._formula = Formula()
        self._levels: list[dict[int, Literal]] = []
        self._enables: list[dict[int, Literal]] = []
        self._states = _states(bench)
        self._machine = _Machine(self._formula, self._netlist, bench.pins, bench.reach.clocks)
        self._good: list[_Row] = []

    def rows_for(self, index: int) -> tuple[Answer, list[Choice]]:
        """Look for rows that show a fault of the bench, the fewest up to about twice as many."""
        fault = Nets(self._formula, self._netlist, self._bench.faults.faults[index])
        state, depth = self._states[index + 1], 0
        while depth < depth_of(self._netlist):
            fresh = []
            for place in range(depth, min(max(2 * depth, 1), depth_of(self._netlist))):
                good = self._healthy(place)
                row = self._machine.row(fault, good.sources, state, good)
                fresh.append(self._seen(good, row, place))
                state = row.after
            depth += len(fresh)
            asked = (self._formula.any(fresh), *self._calm(depth))
            answer, model = self._formula.ask(*asked, effort=_EFFORT)
            if answer is not Answer.NO:
                found = range(depth if answer is Answer.YES else 0)
                return answer, [self._choice(place, model) for place in found]
        return Answer.NO, []

    def _healthy(self, place: int) -> _Row:
        if place == len(self._good):
            state = self._good[-1].after if place else self._states[0]
            healthy = Nets(self._formula, self._netlist)
            self._good.append(self._machine.row(healthy, self._inputs(), state))
        return self._good[place]

    def _inputs(self) -> Mapping[int, Rails]:
        """Free levels for one more row."""
        reach, levels, enables = self._bench.reach, dict[int, Literal](), dict[int, Literal]()
        found: dict[int, Rails] = {}
        for pin in self._bench.pins:
            if pin.direction is PortDirection.INPUT and reach.inputs >> pin.bit & 1:
                literal = levels[pin.bit] = self._formula.variable()
                found[pin.net] = (literal, -literal)
            elif reach.both >> pin.bit & 1 and pin.net in self._netlist.tristates:
                literal, enable = self._formula.variable(), self._formula.variable()
                levels[pin.bit], enables[pin.bit] = literal, enable
                pad = self._netlist.tristates[pin.net]
                found[pad.outside] = (literal, -literal)
                found[pad.outside_enable] = (enable, -enable)
        self._levels.append(levels)
        self._enables.append(enables)
        return found

    def _seen(self, good: _Row, bad: _Row, place: int) -> Literal:
        """Whether a tested pin surely differs in a row."""
        formula, reach = self._formula, self._bench.reach
        parts = []
        for pin in self._bench.pins:
            if not (reach.outputs | reach.both) >> pin.bit & 1:
                continue
            differ = formula.differs(good.levels[pin.net], bad.levels[pin.net])
            pad = self._netlist.tristates.get(pin.net)
            if pad is not None:
                driven = formula.differs(good.levels[pad.enable], bad.levels[pad.enable])
                driven = formula.both(good.levels[pad.enable][1], driven)
                differ = formula.either(differ, driven)
                differ = formula.both(differ, -self._enables[place].get(pin.bit, -1))
            parts.append(differ)
        return formula.any(parts)

    def _calm(self, depth: int) -> list[Literal]:
        """That the board drives a pin only where the design surely does not."""
        found = []
        for pin in self._bench.pins:
            pad = self._netlist.tristates.get(pin.net)
            for place in range(depth if pad is not None else 0):
                driven = self._enables[place].get(pin.bit)
                if driven is not None and pad is not None:
                    row = self._good[place]
                    released = (row.settled[pad.enable][1], row.levels[pad.enable][1])
                    found.append(self._formula.either(-driven, self._formula.both(*released)))
        return found

    def _choice(self, place: int, model: Mapping[Literal, bool]) -> Choice:
        levels, enables = self._levels[place], self._enables[place]
        return Choice(
            {bit: model[literal] for bit, literal in levels.items() if literal in model},
            {bit: model.get(literal, False) for bit, literal in enables.items()},
        )


class _Machine:
    """One row after the other: inputs settle, clocks rise and fall, and all is compared."""

    def __init__(
        self, formula: Formula, netlist: Netlist, pins: Sequence[Pin], clocks: int
    ) -> None:
        self._formula, self._q = formula, netlist.tables.q.tolist()
        self._data = netlist.tables.data.tolist()
        self._groups = netlist.tables.groups.tolist()
        self._clocks = [pin.net for pin in pins if clocks >> pin.bit & 1]

    def row(
        self, nets: Nets, sources: Mapping[int, Rails], state: State, good: _Row | None = None
    ) -> _Row:
        """Run one row; ``good`` has the same row of the healthy machine."""
        low, high = ({**sources, **dict.fromkeys(self._clocks, at)} for at in (ZERO, ONE))
        known = (good.settled, good.levels) if good is not None else (None, None)
        state, settled = self._settle(nets, low, state, known[0])
        levels = settled
        if self._groups:
            state = self._take(state, settled, falling=0)
            if any(group[3] for group in self._groups):
                state, levels = self._settle(nets, high, state, None)
                state = self._take(state, levels, falling=1)
            state, levels = self._settle(nets, low, state, known[1])
        return _Row(sources, settled, levels, state)

    def _settle(
        self, nets: Nets, sources: Mapping[int, Rails], state: State, good: Sequence[Rails] | None
    ) -> tuple[State, Sequence[Rails]]:
        """Levels of all nets, after what is set or cleared at once."""
        levels = nets.levels({**sources, **dict(zip(self._q, state, strict=True))}, good)
        after = self._controlled(state, levels)
        if after != state:
            levels = nets.levels({**sources, **dict(zip(self._q, after, strict=True))}, good)
        return after, levels

    def _take(self, state: State, levels: Sequence[Rails], *, falling: int) -> State:
        after = list(state)
        for first, last, _, low, *_ in self._groups:
            if low == falling:
                after[first:last] = [levels[net] for net in self._data[first:last]]
        return after

    def _controlled(self, state: State, levels: Sequence[Rails]) -> State:
        formula, after = self._formula, list(state)
        for first, last, _, _, _, set_, set_low, clear, clear_low in self._groups:
            up = levels[set_][::-1] if set_low else levels[set_]
            down = levels[clear][::-1] if clear_low else levels[clear]
            if up == down == ZERO:
                continue
            for flop in range(first, last):
                one, zero = state[flop]
                one = formula.both(formula.either(one, up[0]), down[1])
                zero = formula.either(formula.both(zero, up[1]), down[0])
                after[flop] = (one, zero)
        return after


def _states(bench: Bench) -> list[State]:
    """What the healthy machine, and each faulty one, surely knows after the rows before."""
    netlist, lanes = stuck_lanes(bench.netlist, bench.faults.faults)
    if not len(bench.before) or not bench.netlist.flop_count:
        unknown: State = [(ZERO[0], ZERO[0])] * bench.netlist.flop_count
        return [unknown] * (len(lanes) + 1)
    found = harness.netlist.levels_after(netlist, bench.pins, [HEALTHY, *lanes], bench.before)
    found &= ~found.all(axis=0)  # a row that waits for a match is noted too, whenever it comes
    rails = np.where(found[:, :, bench.netlist.tables.q], ONE[0], ZERO[0])
    return [[*zip(*rails[:, lane].tolist(), strict=True)] for lane in range(len(lanes) + 1)]

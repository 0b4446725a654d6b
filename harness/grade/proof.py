"""Faults that no table can detect, each with a proof.

The one rule: proven means that no state and no inputs make any difference to an output or to what
a flip-flop reads: one frame with the state left free, so it holds for every number of cycles. A
fault that is not so proven counts, even if nobody knows a test for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

import harness.netlist
from harness.grade.faults import FaultList, Faults, Flags
from harness.grade.formula import MAX_CONFLICTS, Answer, Formula, Nets, Rails, available
from harness.netlist import ALL, Netlist, PortDirection, StuckAt

NO_SOLVER = "not looked for: that needs pip install 'harness[proof]'"

_PASSES = 8
"""Times that 512 random states and inputs are tried before anything is to be proven."""


@dataclass(frozen=True, eq=False)
class Proof:
    """For each fault of a list: whether it is proven ``untestable``, or left ``open``.

    An open one was given up after :data:`MAX_CONFLICTS` conflicts.
    """

    untestable: Flags
    open: Flags


def prove(faults: FaultList, asked: Flags) -> Proof:
    """Look for a proof for each class of faults that is asked for. Needs python-sat."""
    untestable, left_open = np.zeros_like(asked), np.zeros_like(asked)
    prover: _Frame | None = None
    for index in _hard(faults, faults.classes[asked[faults.classes]]).tolist():
        prover = prover or _Frame(faults.netlist)
        answer = prover.shows(faults.faults[index])
        untestable[index], left_open[index] = answer is Answer.NO, answer is Answer.OPEN
    return Proof(untestable[faults.alike], left_open[faults.alike])


def no_prover() -> str:
    """Why nothing can be proven; empty if it can."""
    return "" if available() else NO_SOLVER


def left_open(proof: Proof) -> str:
    """What a grade says of faults that stayed open; empty if there are none."""
    count = int(proof.open.sum())
    return f"{count:,} not decided within {MAX_CONFLICTS:,} conflicts each" if count else ""


def _hard(faults: FaultList, chosen: Faults) -> Faults:
    """Those of some faults that no random state and inputs show."""
    if not len(chosen):
        return chosen
    observer = harness.netlist.Observer(
        faults.netlist, [faults.faults[index] for index in chosen.tolist()]
    )
    chance = np.random.default_rng(0)
    shown = np.zeros(len(chosen), dtype=np.bool_)
    for _ in range(_PASSES):
        words = chance.integers(0, int(ALL), (len(observer.inputs), 8), np.uint64, endpoint=True)
        shown |= observer.detections(words).any(axis=1)
    return chosen[~shown]


class _Frame:
    """One frame of a netlist: all that goes in is free, and all that comes out is seen."""

    def __init__(self, netlist: Netlist) -> None:
        self._netlist, self._formula = netlist, Formula()
        self._free = self._sources()
        self._good = Nets(self._formula, netlist).levels(self._free)
        tables = netlist.tables
        self._seen = sorted(
            {net for p in netlist.ports if p.direction is not PortDirection.INPUT for net in p.nets}
            | {tri.enable for tri in netlist.tristates.values()}
            | {*tables.data.tolist(), *tables.groups[:, [2, 5, 7]].reshape(-1).tolist()}
        )

    def shows(self, fault: StuckAt) -> Answer:
        """Whether anything that is seen can differ with a fault."""
        formula, good = self._formula, self._good
        bad = Nets(formula, self._netlist, fault).levels(self._free, good)
        places = (net for net in self._seen if good[net] != bad[net])
        shown = formula.any(formula.differs(good[n], bad[n]) for n in places)
        return formula.ask(shown, effort=MAX_CONFLICTS)[0]

    def _sources(self) -> Mapping[int, Rails]:
        netlist = self._netlist
        nets = [n for p in netlist.ports if p.direction is PortDirection.INPUT for n in p.nets]
        nets += [n for t in netlist.tristates.values() for n in (t.outside, t.outside_enable)]
        free = [(net, self._formula.variable()) for net in [*nets, *netlist.tables.q.tolist()]]
        return {net: (literal, -literal) for net, literal in free}

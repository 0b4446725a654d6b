"""What is tried as the fault of a design: stuck nets, slow nets, bridged nets, each in a lane.

The one rule: what is tried is listed here, and compared with the chip's answers in one way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.diagnose.evidence import Answered
from harness.diagnose.respond import (
    LIMIT_HZ,
    Counts,
    Fit,
    Floats,
    Response,
    Runner,
    closely,
    passes,
    respond,
    roughly,
)
from harness.netlist import BRANCH, Delay, Force, Kind, Lane, Short
from harness.records import SuspectKind

MAX_CLOSE = 128
"""Maximum number of faults compared bit by bit, after all were compared by counts."""
MAX_PAIRS = 4096
"""Maximum number of pairs of nets that are tried as bridged, each as a wired AND and as an OR."""
_TOUCHING = 24
"""Number of nets of which each is paired with every other."""


@dataclass(frozen=True, eq=False)
class Pool:
    """Faults of one kind that were tried: what they answer to each table, and how well that fits.

    ``responses`` are of ``tables``, ``fits`` of those that failed. ``score`` ``(lanes,)`` is the
    logarithm of the probability of all answers.
    """

    kind: SuspectKind
    tables: Sequence[Answered]
    lanes: tuple[Lane, ...]
    responses: tuple[Response, ...]
    fits: tuple[Fit, ...]
    score: Floats

    @property
    def complete(self) -> bool:
        """Whether a fault answers every table exactly as the chip did."""
        exact = [fit.exact.any(axis=1) for fit in self.fits]
        passing = [~r.fails.all(axis=1) for r, t in self._passing]
        return bool(len(self.lanes) and np.all([*exact, *passing], axis=0).any())

    @property
    def _passing(self) -> list[tuple[Response, Answered]]:
        pairs = zip(self.responses, self.tables, strict=True)
        return [(response, table) for response, table in pairs if not table.failed]

    def broken(self, lane: int) -> tuple[str, ...]:
        """Tables that passed though a fault makes them fail from every power-up state."""
        return tuple(table.name for r, table in self._passing if r.fails[lane].all())

    def alike(self, lane: int) -> Counts:
        """Faults that answer all tables as this one does, itself included."""
        same = np.ones(len(self.lanes), dtype=np.bool_)
        for response in self.responses:
            for column in (response.signature, response.fails, response.first):
                same &= (column == column[lane]).all(axis=1)
        return np.flatnonzero(same)


def try_lanes(
    runner: Runner, kind: SuspectKind, lanes: Sequence[Lane], tables: Sequence[Answered]
) -> Pool:
    """Run all tables in all lanes; the best are then compared bit by bit."""
    responses = tuple(respond(runner, lanes, table) for table in tables)
    answers = list(zip(tables, responses, strict=True))
    failing = [(table, response) for table, response in answers if table.failed]
    fits = [roughly(table, response) for table, response in failing]
    passed = np.zeros(len(lanes))
    for table, response in answers:
        passed += 0 if table.failed else np.log(passes(response))
    score = passed + _likely(fits)
    best = np.argsort(-score, kind="stable")[:MAX_CLOSE]
    chosen = [lanes[k] for k in best.tolist()]
    near = [closely(runner, chosen, table, response.take(best)) for table, response in failing]
    fits = [fit.with_(best, close) for fit, close in zip(fits, near, strict=True)]
    score[best] = passed[best] + _likely(near)
    return Pool(kind, tables, tuple(lanes), responses, tuple(fits), score)


def _likely(fits: Sequence[Fit]) -> Floats:
    found: Floats = np.sum([np.log(fit.likely) for fit in fits], axis=0)
    return found


def nets_of(runner: Runner) -> list[int]:
    """Nets of the design that can be slow or bridged: those of the file, but constants."""
    netlist = runner.netlist
    moving = {*netlist.gate_by_output, *netlist.tables.q.tolist()}
    ports = {net for port in netlist.ports for net in port.nets if net > 1}
    own = (n for n in moving | ports if not netlist.names[n].startswith((BRANCH, "$h")))
    return sorted(own)


def slow_lanes(runner: Runner) -> list[Lane]:
    """One lane for each net that may be slow."""
    return [Lane(nets=(Delay(net, LIMIT_HZ),)) for net in nets_of(runner)]


def bridge_lanes(runner: Runner, tables: Sequence[Answered]) -> tuple[list[Lane], int]:
    """Bridge the nets whose stuck-at faults explain most with each other and with all others.

    The best are chosen on the shortest of the tables that failed; gives also how many were tried.
    """
    table = min((t for t in tables if t.failed), key=lambda t: t.cycles)
    once = replace(runner, states=1)
    lanes = [
        Lane(bridges=(Short(a, b, kind),))
        for kind, level in ((Kind.AND, 0), (Kind.OR, 1))
        for a, b in _pairs(once, level, table)
    ]
    fit = roughly(table, respond(once, lanes, table))
    best = np.argsort(-fit.likely, kind="stable")[:MAX_CLOSE]
    return [lanes[k] for k in best.tolist()], len(lanes)


def _pairs(runner: Runner, level: int, table: Answered) -> list[tuple[int, int]]:
    """Pairs of nets by how much of the wrong bits their faults at one level explain together."""
    explained = touching(runner, level, table)
    nets = sorted(explained, key=lambda net: -explained[net])
    near = nets[:_TOUCHING]
    places = {net: place for place, net in enumerate(near)}
    pairs = [(a, b) for a in near for b in nets if a != b and places.get(b, len(nets)) > places[a]]
    pairs.sort(key=lambda pair: -(explained[pair[0]] + explained[pair[1]]))
    return pairs[:MAX_PAIRS]


def touching(runner: Runner, level: int, table: Answered) -> dict[int, float]:
    """For each net how much of the evidence it explains when it is stuck at a level, 0 to 1.

    A bridged net is only at times at the level of the other one: what a stuck net contradicts
    counts little.
    """
    lanes = [Lane(nets=(Force(net, level),)) for net in nets_of(runner)]
    fit = closely(runner, lanes, table, respond(runner, lanes, table))
    whole = fit.explained + fit.missed + fit.contradicted / 10
    share: NDArray[np.float64] = (fit.explained / np.maximum(whole, 1)).max(axis=1)
    return dict(zip(nets_of(runner), share.tolist(), strict=True))

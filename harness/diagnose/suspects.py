"""Rank what may be wrong inside a design by how well it explains the answers of one chip.

The one rule: stuck-at faults always, all of them; what else is tried is for the caller to say,
since it takes longer: bridges where nothing yet explains every answer, slow paths where a table
that fails has passed at a lower rate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import exp, log
from typing import NamedTuple

import numpy as np

from harness.diagnose.evidence import Answered
from harness.diagnose.pools import Pool, bridge_lanes, slow_lanes, try_lanes
from harness.diagnose.respond import Runner
from harness.grade import Namer, fault_list
from harness.netlist import Delay, Kind, Lane, Netlist, StuckAt, pin_map, stuck_lanes
from harness.records import Bound, Suspect, SuspectKind
from harness.rehearse import STATES
from harness.shuttle import Design

MAX_SUSPECTS = 10
"""Maximum number of suspects that are kept."""
MAX_OTHERS = 64
"""Maximum number of faults named beside the first of a class."""
_PRIORS = {SuspectKind.STUCK_AT: 1.0, SuspectKind.SLOW_PATH: 0.3, SuspectKind.BRIDGE: 0.1}


class Ranked(NamedTuple):
    """A suspect, and each fault of its class by name; those no output can tell apart are one."""

    suspect: Suspect
    lanes: tuple[tuple[str, Lane], ...]


class Ranking:
    """The suspects of a design on one chip; ``tables`` are those of the design that ran."""

    def __init__(self, netlist: Netlist, design: Design, tables: Sequence[Answered]) -> None:
        self.tables = tables
        self._list = fault_list(netlist)
        self._namer = Namer(self._list)
        self._classes = [self._list.of_class(k).tolist() for k in self._list.classes.tolist()]
        one = [self._list.faults[k] for k in self._list.classes.tolist()]
        branched, lanes = stuck_lanes(self._list.netlist, one)
        pins = pin_map(self._list.netlist, design)
        self.runner = Runner(branched, pins, STATES if branched.flop_count else 1)
        self._pools = [self._try(SuspectKind.STUCK_AT, lanes)]
        self.bridges = self.slow = 0

    @property
    def faults(self) -> int:
        """Number of stuck-at faults that were tried."""
        return len(self._list.faults)

    @property
    def complete(self) -> bool:
        """Whether a fault that was tried answers every table exactly as the chip did."""
        return any(pool.complete for pool in self._pools)

    def try_slow(self) -> None:
        """Try every net as slow."""
        lanes = slow_lanes(self.runner)
        self.slow = len(lanes)
        self._pools.append(self._try(SuspectKind.SLOW_PATH, lanes))

    def try_bridges(self) -> None:
        """Try pairs of nets as bridged: those of nets that explain a part of the answers."""
        lanes, self.bridges = bridge_lanes(self.runner, self.tables)
        self._pools.append(self._try(SuspectKind.BRIDGE, lanes))

    def ranked(self) -> list[Ranked]:
        """Return the best suspects."""
        found = [named for pool in self._pools for named in self._best(pool)]
        found.sort(key=lambda one: -one.suspect.odds)
        first = found[0].suspect.odds if found else 0.0
        return [
            one._replace(suspect=replace(one.suspect, odds=exp(one.suspect.odds - first)))
            for one in found[:MAX_SUSPECTS]
        ]

    def _try(self, kind: SuspectKind, lanes: Sequence[Lane]) -> Pool:
        return try_lanes(self.runner, kind, lanes, self.tables)

    def _best(self, pool: Pool) -> Iterator[Ranked]:
        """The best of a pool, one for each class of equal answers; the odds are logarithms."""
        left = np.argsort(-pool.score, kind="stable").tolist()
        for _ in range(MAX_SUSPECTS):
            if not left:
                return
            alike = pool.alike(left[0]).tolist()
            lanes = tuple((self._name(pool, place), pool.lanes[place]) for place in alike)
            yield Ranked(self._suspect(pool, left[0], alike), lanes)
            left = [lane for lane in left if lane not in alike]

    def _suspect(self, pool: Pool, lane: int, alike: Sequence[int]) -> Suspect:
        names, nets = self._named(pool, alike)
        exact = explained = missed = contradicted = 0
        for fit in pool.fits:
            state = int(np.argmax(fit.exact[lane] * 2 + fit.overlap[lane]))
            exact += int(fit.exact[lane, state])
            explained += int(fit.explained[lane, state])
            missed += int(fit.missed[lane, state])
            contradicted += int(fit.contradicted[lane, state])
        return Suspect(
            kind=pool.kind,
            name=names[0],
            others=tuple(names[1 : MAX_OTHERS + 1]),
            alike=len(names),
            nets=tuple(dict.fromkeys(self._net(net) for net in nets)),
            sources=self._bounds(nets, "sources"),
            sinks=self._bounds(nets, "sinks"),
            exact=exact,
            explained=explained,
            missed=missed,
            contradicted=contradicted,
            broken=pool.broken(lane),
            odds=float(pool.score[lane]) + log(_PRIORS[pool.kind]),
        )

    def _name(self, pool: Pool, lane: int) -> str:
        """The most telling name of the faults of one lane."""
        return self._named(pool, [lane])[0][0]

    def _named(self, pool: Pool, alike: Sequence[int]) -> tuple[list[str], list[int]]:
        """Names of faults whose answers are equal, the most telling first, and the first's nets."""
        if pool.kind is SuspectKind.STUCK_AT:
            faults = [self._list.faults[k] for place in alike for k in self._classes[place]]
            named = sorted(((self._namer.name(f), f.net) for f in faults), key=_telling)
            return [name for name, _ in named], [named[0][1]]
        lanes = [pool.lanes[place] for place in alike]
        both = sorted(((self._lane_name(lane), _nets(lane)) for lane in lanes), key=_telling)
        return [name for name, _ in both], both[0][1]

    def _lane_name(self, lane: Lane) -> str:
        if lane.bridges:
            (short,) = lane.bridges
            kind = "AND" if short.kind is Kind.AND else "OR"
            return f"{self._net(short.a)} and {self._net(short.b)} bridged ({kind})"
        return f"{self._net(_nets(lane)[0])} late by a cycle"

    def _net(self, net: int) -> str:
        """Name a net as the source does; a branch by its stem."""
        return self._namer.name(StuckAt(net, 0)).removesuffix(" stuck at 0")

    def _bounds(self, nets: Sequence[int], side: str) -> tuple[Bound, ...]:
        made = [self._namer.missed(StuckAt(net, 0), 1, reached=False) for net in nets]
        return tuple(sorted({b for one in made for b in getattr(one, side)}, key=str))


def _nets(lane: Lane) -> list[int]:
    if lane.bridges:
        return [lane.bridges[0].a, lane.bridges[0].b]
    return [part.at for part in lane.nets if isinstance(part, Delay)]


def _telling(named: tuple[str, object]) -> tuple[int, int, str]:
    """Names of the source come first, then nets before their branches."""
    name, _ = named
    return name.count("$"), int(" at " in name), name

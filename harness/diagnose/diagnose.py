"""The suspects inside a design, from all that one chip answered to its tables.

The one rule: nothing is asked of a board; what other vectors would tell is said, not run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.diagnose.evidence import Answered
from harness.diagnose.respond import Runner
from harness.diagnose.separate import Table, in_random, in_table, random_rows
from harness.diagnose.suspects import Ranked, Ranking
from harness.netlist import Lane, Netlist, PortDirection, Rows
from harness.records import Diagnosis, Separation
from harness.shuttle import Design, Shuttle

MAX_SEPARATED = 3
"""Maximum number of faults that the first one is told from."""
NEAR = 0.05
"""Odds from which a suspect is told from the first one."""

QUICK = "bridges, slow paths, and vectors that tell suspects apart: harness diagnose tries them"


@dataclass(frozen=True, eq=False)
class Defective:
    """A design that is taken to be defective on a chip, and what its tables answered there."""

    slot: str
    chip: str
    design: Design
    netlist: Netlist
    tables: Sequence[Answered]

    @property
    def failing(self) -> tuple[str, ...]:
        """Tables that failed."""
        return tuple(table.name for table in self.tables if table.failed)


def quick_diagnosis(defective: Defective) -> Diagnosis:
    """Rank stuck-at faults only, as a run does when it ends."""
    ranking = Ranking(defective.netlist, defective.design, defective.tables)
    return _diagnosis(defective, ranking, ranking.ranked(), (), (QUICK,))


def diagnose(
    defective: Defective, others: Sequence[Table], shuttle: Shuttle, *, slower_passes: bool
) -> Diagnosis:
    """Rank all that may be wrong, and find vectors that tell the first suspect from the next.

    ``others``: tables of the design that did not run. ``slower_passes``: a table that fails has
    passed at a lower rate, so slow paths are tried too.
    """
    ranking = Ranking(defective.netlist, defective.design, defective.tables)
    left_out = []
    if slower_passes:
        ranking.try_slow()
    else:
        left_out.append("slow paths: nothing says that a lower rate passes")
    if ranking.complete:
        left_out.append("bridges: a suspect explains every answer")
    else:
        ranking.try_bridges()
    ranked = ranking.ranked()
    separations = tuple(_separations(ranking.runner, ranked, others, shuttle))
    return _diagnosis(defective, ranking, ranked, separations, tuple(left_out))


def _diagnosis(
    defective: Defective,
    ranking: Ranking,
    ranked: Sequence[Ranked],
    separations: tuple[Separation, ...],
    left_out: tuple[str, ...],
) -> Diagnosis:
    return Diagnosis(
        slot=defective.slot,
        chip=defective.chip,
        design=defective.design.name,
        failing=defective.failing,
        passing=tuple(table.name for table in defective.tables if not table.failed),
        bits=sum(table.bits for table in defective.tables),
        faults=ranking.faults,
        bridges=ranking.bridges,
        slow=ranking.slow,
        suspects=tuple(one.suspect for one in ranked),
        separations=separations,
        left_out=left_out,
    )


def _separations(
    runner: Runner, ranked: Sequence[Ranked], others: Sequence[Table], shuttle: Shuttle
) -> Iterator[Separation]:
    """Tell the first fault from others of its class, and from suspects that are nearly as good."""
    near = [one for one in ranked if one.suspect.odds >= NEAR]
    pairs = [*near[0].lanes, *(one.lanes[0] for one in near[1:])] if near else []
    for other in pairs[1 : MAX_SEPARATED + 1]:
        found = _by_table(runner, pairs[0], other, others, shuttle)
        found = found or _by_random(runner, pairs[0], other, shuttle)
        if found is not None:
            yield found


Named = tuple[str, Lane]


def _by_table(
    runner: Runner, one: Named, other: Named, tables: Sequence[Table], shuttle: Shuttle
) -> Separation | None:
    for table in tables:
        found = in_table(runner, one[1], other[1], table)
        if found is not None:
            line = table.lines[found.row - table.lead]
            return Separation(one[0], other[0], table.name, line, (), _pins(shuttle, found.pins))
    return None


def _by_random(runner: Runner, one: Named, other: Named, shuttle: Shuttle) -> Separation | None:
    rows = random_rows(runner, shuttle)
    found = in_random(runner, one[1], other[1], rows)
    if found is None:
        return None
    vectors = tuple(_vector(rows, row, runner, shuttle) for row in range(found.row + 1))
    return Separation(one[0], other[0], "", 0, vectors, _pins(shuttle, found.pins))


def _vector(rows: Rows, row: int, runner: Runner, shuttle: Shuttle) -> str:
    used = {pin.bit for pin in runner.pins if pin.direction is PortDirection.INPUT}
    drive, pulse = int(rows[row, 0]), int(rows[row, 2])
    levels = (
        f"{pin.name}={'C' if pulse >> pin.bit & 1 else drive >> pin.bit & 1}"
        for pin in shuttle.pins
        if pin.bit in used
    )
    return " ".join(levels)


def _pins(shuttle: Shuttle, word: int) -> tuple[str, ...]:
    return tuple(pin.name for pin in shuttle.pins if word >> pin.bit & 1)

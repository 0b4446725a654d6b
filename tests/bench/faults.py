"""All that grades and suspects must reach: published counts, speed, and faults that are named.

Run: python -m tests.bench.faults [options of tests.bench.diagnose]; ends with 1 if a target is
missed. Without options six stuck nets and three bridges are put into each demo design.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from itertools import combinations

from harness.grade import GradedTable, compact, fault_list
from harness.grade.segments import rows_that_detect
from harness.netlist import Netlist, load_netlist, parse_bench
from tests.bench import diagnose, grade
from tests.bench.targets import Target, conclude
from tests.published import demo
from tests.published.test_iscas_circuits import DATA
from tests.unit.grade.test_segments import C17, EVERY, PINS
from tests.unit.netlist.plain import multiplier

FEW = ("--stuck", "6", "--bridges", "3", "--stack", "1")


def targets(arguments: Sequence[str] = FEW) -> Iterator[Target]:
    """Measure everything."""
    yield from counts()
    yield from smallest_tests()
    yield from grade.targets()
    yield from diagnose.targets(arguments)


def circuit(name: str) -> Netlist:
    """A published circuit: written by hand, or made from its published structure."""
    if name == "c6288":
        return parse_bench("\n".join(multiplier(16)), "here", name)
    return load_netlist(DATA / f"{name}.bench")


def counts() -> Iterator[Target]:
    """Faults of published circuits, before and after collapsing."""
    for name, every, collapsed in (("c17", 34, 22), ("s27", None, 32), ("c6288", 12_576, 7_744)):
        faults = fault_list(circuit(name))
        found = len(faults.faults), len(faults.classes)
        wanted = found[0] if every is None else every, collapsed
        asked = f"{every or 'any'} faults, {collapsed} after collapsing"
        yield Target(f"{name}: {asked}", f"{found[0]}, {found[1]}", found == wanted)


def smallest_tests() -> Iterator[Target]:
    """Smallest complete tests of c17, and what its faults look like from outside."""
    found = rows_that_detect(C17, PINS, EVERY, 0)
    complete = {
        size: sum(found[list(rows)].any(axis=0).all() for rows in combinations(range(32), size))
        for size in (3, 4)
    }
    distinct = len({tuple(column) for column in found.T.tolist()})
    kept = compact(C17, PINS, [GradedTable("every", EVERY, 0)], demo.shuttle())
    yield Target(
        "c17: 4 vectors are the smallest complete test, and 10 such tests",
        f"{kept.cycles} kept, none of 3: {complete[3] == 0}, {complete[4]} of 4",
        (kept.cycles, kept.least, complete[3], complete[4]) == (4, 4, 0, 10),
    )
    yield Target("c17: 21 distinct rows in its dictionary", str(distinct), distinct == 21)


if __name__ == "__main__":
    sys.exit(conclude(list(targets(sys.argv[1:] or FEW))))

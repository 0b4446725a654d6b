"""Stuck-at faults: sites, sequential detection with and without dropping, against brute force."""

from __future__ import annotations

import numpy as np
import pytest

from harness.netlist import Force, Lane, Simulator, parse_bench
from harness.netlist.grading import UNFOUND, Grader, clocked
from harness.netlist.stuck import StuckAt, stuck_faults, with_branches
from tests.published.test_iscas_circuits import DATA

SEQUENTIAL = """INPUT(a)
INPUT(b)
INPUT(r)
OUTPUT(y)
OUTPUT(q0)
q0 = DFF(d0)
q1 = DFF(d1)
q2 = DFF(x)
x = XOR(q1, a)
d0 = AND(x, r)
d1 = NOR(n, q2)
n = NOT(r)
y = NAND(q1, m)
m = OR(b, q0)
"""


def test_c17_has_34_faults_and_s27_has_the_branches_of_its_flops() -> None:
    c17 = with_branches(parse_bench((DATA / "c17.bench").read_text(), "c17", "c17"))
    assert len(stuck_faults(c17)) == 34


def brute_force(fault: StuckAt | None, text: str, vectors: np.ndarray, values: int) -> list[str]:
    """Outputs before each clock, from the simulator with one lane: ``01x`` a cycle."""
    netlist = with_branches(parse_bench(text, "here", "small"))
    special = [Lane(nets=(Force(fault.net, fault.level),))] if fault else []
    state = np.zeros((netlist.flop_count, 1), dtype=int) if values == 2 else None
    simulator = Simulator(netlist, 1, special, state, values)
    names = [p.name for p in netlist.ports if p.direction == "input" and p.name != "clock"]
    seen = []
    for vector in vectors.tolist():
        for level in (0, 1):
            for name, bit in zip(names, vector, strict=True):
                simulator.drive(name, bit)
            simulator.drive("clock", level)
            simulator.settle()
            if not level:
                outs = [p.name for p in netlist.ports if p.direction == "output"]
                seen.append(
                    "".join(
                        "x" if simulator.unknown(o)[0] else str(simulator.read(o)[0]) for o in outs
                    )
                )
    return seen


@pytest.mark.parametrize("values", [2, 3])
def test_each_fault_is_found_where_brute_force_finds_it(values: int) -> None:
    netlist = with_branches(parse_bench(SEQUENTIAL, "here", "small"))
    faults = stuck_faults(netlist)
    vectors = np.random.default_rng(3).integers(0, 2, (40, 3), dtype=np.uint8)
    vectors[:2, 2] = 0
    start = np.zeros(netlist.flop_count, dtype=int) if values == 2 else None
    grader = Grader(netlist, faults, clocked(netlist, vectors, "clock"), start)
    found = grader.first_detections()
    assert found.tolist() == grader.first_detections_dropping().tolist()
    good = brute_force(None, SEQUENTIAL, vectors, values)
    for fault, step in zip(faults, found.tolist(), strict=True):
        if fault.readers:
            continue
        bad = brute_force(fault, SEQUENTIAL, vectors, values)
        first = next(
            (
                cycle
                for cycle, (a, b) in enumerate(zip(good, bad, strict=True))
                if any({p, q} == {"0", "1"} for p, q in zip(a, b, strict=True))
            ),
            None,
        )
        assert step == (UNFOUND if first is None else 2 * first), fault
    assert (found != UNFOUND).sum() > 0

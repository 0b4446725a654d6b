"""Stuck-at faults: sites, sequential detection with and without dropping, against brute force."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.netlist import Circuit, Force, Kind, Lane, Netlist, grading, parse_bench
from harness.netlist.grading import Grader
from harness.netlist.passes import UNFOUND
from harness.netlist.stuck import StuckAt, stuck_faults, with_branches
from tests.simulator import Simulator, clocked, detections_of_all, port_of
from tests.unit.netlist.plain import drawn

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
    found, dropping = detections_of_all(grader), grader.detections()
    assert found.tolist() == dropping.first.tolist()
    good = brute_force(None, SEQUENTIAL, vectors, values)
    vaguely = 0
    for fault, step, may in zip(faults, found.tolist(), dropping.possible.tolist(), strict=True):
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
        vague = any(
            q == "x" != p for a, b in zip(good, bad, strict=True) for p, q in zip(a, b, strict=True)
        )
        vaguely += vague and step == UNFOUND
        assert step != UNFOUND or may == vague, fault
    assert (found != UNFOUND).sum() > 0
    assert (vaguely > 0) == (values == 3)


def behind_a_gate(netlist: Netlist) -> Netlist:
    """The same, with the clock through a gate: then no input says when flops take data."""
    circuit = Circuit.of(netlist)
    clock = port_of(netlist, "clock").nets[0]
    buffered = circuit.gate(Kind.AND, clock, clock)
    circuit.flops = [flop._replace(clock=buffered) for flop in circuit.flops]
    return circuit.levelise()


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    order=st.randoms(use_true_random=False),
    values=st.sampled_from([2, 3]),
    spans=st.tuples(st.integers(1, 60), st.integers(1, 60)),
)
def test_the_order_of_gates_faults_and_dropping_changes_nothing(
    seed: int, order: random.Random, values: int, spans: tuple[int, int]
) -> None:
    vectors = np.random.default_rng(seed).integers(0, 2, (30, 6), dtype=np.uint8)
    lines = drawn(seed, flops=8)
    shuffled = order.sample(lines, len(lines))
    shuffled.sort(key=lambda line: line[:5] != "INPUT")  # ports in the order of the vectors
    inputs = [line for line in lines if line.startswith("INPUT")]
    shuffled[: len(inputs)] = inputs

    def found(netlist: Netlist, seed: int, *, dropping: bool) -> dict[tuple[str, int], int]:
        faults = [f for f in stuck_faults(netlist) if netlist.names[f.net] in named]
        random.Random(seed).shuffle(faults)
        state = np.zeros(netlist.flop_count, dtype=int) if values == 2 else None
        grader = Grader(netlist, faults, clocked(netlist, vectors, "clock"), state)
        steps = grader.detections().first if dropping else detections_of_all(grader)
        whole = [(f, step) for f, step in zip(faults, steps.tolist(), strict=True) if not f.readers]
        return {(netlist.names[f.net], f.level): step for f, step in whole}

    netlist = with_branches(parse_bench("\n".join(lines), "here", "drawn"))
    other = with_branches(parse_bench("\n".join(shuffled), "here", "drawn"))
    named = {line.split(" =")[0] for line in lines if "=" in line}
    first = found(netlist, 1, dropping=False)
    assert found(other, 2, dropping=False) == first
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grading, "_FIRST_SPAN", spans[0])
        patch.setattr(grading, "_MAX_TRACE", 100 * spans[1])
        assert found(netlist, 3, dropping=True) == first
        assert found(netlist, 4, dropping=False) == first
        assert found(behind_a_gate(netlist), 5, dropping=True) == first

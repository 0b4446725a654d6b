"""Proofs that faults are untestable, beside every state and input of small circuits."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.grade import FaultList, fault_list, prove
from harness.grade.proof import left_open
from harness.netlist import Kind, StuckAt, parse_bench
from tests.examples import few
from tests.unit.netlist.plain import drawn, multiplier

C17 = """INPUT(1)\nINPUT(2)\nINPUT(3)\nINPUT(6)\nINPUT(7)\nOUTPUT(22)\nOUTPUT(23)
10 = NAND(1, 3)\n11 = NAND(3, 6)\n16 = NAND(2, 11)\n19 = NAND(11, 7)\n22 = NAND(10, 16)
23 = NAND(16, 19)\n"""


def listed(text: str) -> FaultList:
    return fault_list(parse_bench(text, "text", "text"))


def proven(faults: FaultList) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    proof = prove(faults, np.ones(len(faults.faults), dtype=np.bool_))
    assert not proof.open.any()
    return proof.untestable


def response(faults: FaultList, fault: StuckAt | None) -> tuple[int, ...]:
    """Outputs and data of flops as truth tables over all inputs and states: a bit for each row."""
    netlist = faults.netlist
    free = [n for p in netlist.ports if p.direction == "input" for n in p.nets]
    free = [*free, *netlist.tables.q.tolist()]
    rows = 1 << len(free)
    levels = {0: 0, 1: (1 << rows) - 1}
    for place, net in enumerate(free):
        levels[net] = sum(1 << row for row in range(rows) if row >> place & 1)
    stuck = levels[1] if fault is not None and fault.level else 0
    if fault is not None and not fault.readers:
        levels[fault.net] = stuck
    for gate, (kind, a, b, out) in enumerate(netlist.tables.gates.tolist()):
        ins = [
            stuck if fault is not None and (gate, pin) in fault.readers else levels[net]
            for pin, net in enumerate((a, b))
        ]
        if fault is not None and not fault.readers and fault.net == out:
            continue
        name = Kind(kind).name
        both = ins[0] ^ ins[1] if "X" in name else ins[0] & ins[1]
        if name in {"OR", "NOR"}:
            both = ins[0] | ins[1]
        levels[out] = both ^ levels[1] if name in {"NAND", "NOR", "XNOR"} else both
    seen = [n for p in netlist.ports if p.direction == "output" for n in p.nets]
    return tuple(levels[net] for net in [*seen, *netlist.tables.data.tolist()])


@few(10)
@given(st.integers(0, 1 << 30), st.integers(0, 3))
def test_a_fault_is_proven_exactly_if_no_state_and_input_shows_it(seed: int, flops: int) -> None:
    faults = listed("\n".join(drawn(seed, flops)))
    healthy = response(faults, None)
    brute = [response(faults, fault) == healthy for fault in faults.faults]
    assert proven(faults).tolist() == brute


def test_no_fault_of_c17_is_untestable() -> None:
    assert not proven(listed(C17)).any()


def test_only_faults_that_are_asked_for_are_proven() -> None:
    faults = listed("INPUT(a)\nOUTPUT(y)\nb = NOT(a)\ny = AND(a, b)")
    asked = np.zeros(len(faults.faults), dtype=np.bool_)
    assert not prove(faults, asked).untestable.any()
    assert proven(faults).any()


def products_compared() -> str:
    """Text of a circuit that is always 0: whether a × b is not b × a, in one bit."""
    lines = [line for line in multiplier(5) if not line.startswith("OUTPUT")]
    inputs = [line for line in lines if line.startswith("INPUT")]
    swapped = str.maketrans("ab", "ba")
    other = [
        re.sub(r"\b(?![ab]\d)([a-z]\w*)", r"o\1", re.sub(r"\b[ab]\d", swap, line))
        for line in lines[len(inputs) :]
        for swap in [lambda match: match[0].translate(swapped)]
    ]
    return "\n".join([*lines, *other, "OUTPUT(y)", "y = XOR(p7, op7)"])


def test_a_fault_that_takes_too_long_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    faults = listed(products_compared())
    asked = np.array([fault.net == faults.netlist.net("y") for fault in faults.faults])
    proof = prove(faults, asked)
    assert (proof.untestable.sum(), left_open(proof)) == (1, "")
    monkeypatch.setattr("harness.grade.proof.MAX_CONFLICTS", 2)
    proof = prove(faults, asked)
    assert not proof.untestable.any()
    assert left_open(proof) == "1 not decided within 2 conflicts each"

"""Rows that a solver finds on the unrolled netlist, beside the engine that grades tables."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.grade import Bench, FaultList, Reach, fault_list
from harness.grade.attempt import drawn as random_rows
from harness.grade.formula import Answer
from harness.grade.proposal import chosen_rows
from harness.grade.search import Search
from harness.netlist import Pin, parse_bench
from tests.examples import few
from tests.unit.netlist.plain import drawn

GATES = 20


def bench(seed: int, flops: int) -> Bench:
    netlist = fault_list(parse_bench("\n".join(drawn(seed, flops, GATES)), "text", "text"))
    pins = [
        Pin(bit, port.nets[0], port.direction) for bit, port in enumerate(netlist.netlist.ports)
    ]
    masks = {
        way: sum(1 << p.bit for p in pins if p.direction == way) for way in ("input", "output")
    }
    clock = next((1 << k for k, p in enumerate(netlist.netlist.ports) if p.name == "clock"), 0)
    reach = Reach(masks["input"] & ~clock, 0, 0, clock, 0, masks["output"], 0, 0)
    chosen = [netlist.faults[index] for index in netlist.classes.tolist()]
    faults = FaultList(netlist.netlist, tuple(chosen), np.arange(len(chosen)))
    return Bench(faults, pins, np.zeros((0, 8), np.int64), reach)


@few(3)
@given(st.integers(0, 1 << 30), st.integers(0, 3))
def test_rows_that_are_found_detect_the_fault_and_where_none_are_no_random_ones_do(
    seed: int, flops: int
) -> None:
    start = bench(seed, flops)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("harness.grade.search.MAX_DEPTH", 4)
        search, answers = Search(start), []
        for index in range(len(start.faults.faults)):
            answer, choices = search.rows_for(index)
            answers.append(answer)
            if answer is Answer.YES:
                assert start.detected(chosen_rows(start, choices)).found[index]
    never = np.array([answer is Answer.NO for answer in answers])
    chance = Random(seed)
    for _ in range(20):
        assert not (start.detected(random_rows(start, chance, 4)).found & never).any()

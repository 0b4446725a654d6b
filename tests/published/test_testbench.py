"""Exported testbenches in simulators: a good source passes, a mutant fails where our tool says so.

What a mutant does is asked of the engine from three power-up states. Where all three agree, the
simulators have to name the same first cycle and pins.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.convert import Bench, make_testbench
from harness.netlist import HEALTHY
from harness.rehearse import table_rows
from harness.rehearse.gates import STATES, Gates
from harness.rehearse.wrong import wrong_cycles
from harness.shuttle import Design
from harness.table import Names, bits, load_table
from tests.published import demo, icarus, mutants, simulators
from tests.published.mutants import Mutant
from tests.published.simulators import ICARUS, VERILATOR

SEED, DRAWN = 14, 12
TABLES = ("alu181/directed", "ctr163/sequence", "crc16/check", "uart/directed", "spibank/edges")
DAILY = TABLES[1]
SIMULATORS = [
    pytest.param(ICARUS, marks=pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)),
    pytest.param(
        VERILATOR,
        marks=[
            pytest.mark.nightly,
            pytest.mark.skipif(simulators.root() is None, reason=simulators.MISSING),
        ],
    ),
]
CASES = [pytest.param(name, marks=[] if name == DAILY else pytest.mark.nightly) for name in TABLES]

First = tuple[int, set[str]] | None
"""The first wrong cycle of a table and its wrong pins."""


def bench_of(design: Design, table: str) -> Bench:
    spec = demo.table_spec(design.name, table)
    shuttle = demo.shuttle()
    return make_testbench(design, spec, shuttle, load_table(spec, design, shuttle))


def predicted(design: Design, table: str) -> list[First]:
    """What our engine says of a table, from each power-up state."""
    spec, whole = demo.table_spec(design.name, table), demo.shuttle()
    shuttle = replace(whole, designs=(design,))
    pattern = load_table(spec, design, shuttle)
    rows, names = table_rows(pattern, spec, shuttle), Names(shuttle, pattern)
    model = Gates(shuttle).model(design.name)
    found: list[First] = []
    for state in range(STATES):
        wrong = wrong_cycles(model, HEALTHY, state, *rows)
        pins = {names.both(bit) for bit in bits(int(wrong.pins[0]))} if len(wrong.pins) else set()
        found.append((int(wrong.cycles[0]), pins) if pins else None)
    return found


@pytest.mark.parametrize("simulator", SIMULATORS)
@pytest.mark.parametrize("name", CASES)
def test_mutants_fail_in_the_same_cycle_and_pins(tmp_path: Path, name: str, simulator: str) -> None:
    design, table = demo.design(name.split("/", maxsplit=1)[0]), name.split("/")[1]
    drawn = mutants.draw(design, SEED, DRAWN)
    bench = bench_of(mutants.in_verilog(design, drawn, tmp_path), table)
    simulators.compile_bench(bench, simulator, tmp_path)
    compared = 0
    for mutant in [Mutant(0), *drawn]:
        said = simulators.run_bench(bench, simulator, tmp_path, f"+mutant={mutant.number}")
        expected = predicted(mutants.mutated(design, mutant, tmp_path), table)
        fails = expected[0] is not None
        assert all((one is not None) == fails for one in expected), mutant
        assert (said.code, "PASS" in said.text) == (int(fails), not fails), (mutant, said)
        assert said.first in expected, (mutant, said.first, expected)
        compared += fails
    assert compared >= DRAWN // 2

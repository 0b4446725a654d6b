"""Exported testbenches in simulators: a good source passes, a mutant fails where our tool says so.

What a mutant does is asked of the engine from three power-up states. Where all three agree, the
simulators have to name the same first cycle and pins. Mutants are gates of the netlist, and changes
in the Verilog source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.convert import Bench, make_testbench
from harness.errors import NetlistError
from harness.netlist import HEALTHY, synthesise
from harness.rehearse import table_rows
from harness.rehearse.gates import STATES, Gates
from harness.rehearse.wrong import wrong_cycles
from harness.shuttle import Design
from harness.table import Names, bits, load_table
from tests.published import demo, icarus, mutants, simulators, source_mutants
from tests.published.mutants import Mutant
from tests.published.simulators import ICARUS, VERILATOR
from tests.published.source_mutants import SourceMutant

SEED, DRAWN = 14, 12
OF_SOURCE = 18
SOURCES = ("ctr163/sequence", "crc16/check", "uart/directed")
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


@dataclass(frozen=True)
class Sources:
    """Mutants of a design's source that can be synthesised, and what our engine says of each."""

    design: Design
    table: str
    drawn: list[tuple[SourceMutant, list[First]]]
    unfit: int


@pytest.fixture(scope="module", params=SOURCES)
def sources(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Sources:
    name, table = request.param.split("/")
    design, folder = demo.design(name), tmp_path_factory.mktemp(name)
    drawn: list[tuple[SourceMutant, list[First]]] = []
    unfit = 0
    for mutant in source_mutants.draw(design, SEED):
        alone = mutant.alone(design, folder)
        try:
            text = synthesise(alone.verilog, design.top)
        except NetlistError:  # an edge in a list of two, for one
            unfit += 1
            continue
        path = folder / f"{mutant.number}.json"
        path.write_text(text, "utf-8")
        drawn.append((mutant, predicted(replace(alone, netlist=path), table)))
        if len(drawn) > OF_SOURCE:
            break
    assert len(drawn) == OF_SOURCE + 1
    return Sources(design, table, drawn, unfit)


@pytest.mark.nightly
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("simulator", SIMULATORS)
def test_mutants_of_the_source_fail_by_exit_code(
    sources: Sources, simulator: str, tmp_path: Path
) -> None:
    """A mutant passes only if the table does not tell it from the source, says our netlist run."""
    mutants = [mutant for mutant, _ in sources.drawn]
    together = source_mutants.in_one_source(sources.design, mutants, tmp_path)
    bench = bench_of(together, sources.table)
    simulators.compile_bench(bench, simulator, tmp_path)
    counts: Counter[str] = Counter(unfit=sources.unfit)
    for mutant, expected in sources.drawn:
        said = simulators.run_bench(bench, simulator, tmp_path, f"+mutant={mutant.number}")
        assert (said.code, "PASS" in said.text) in {(0, True), (1, False)}, (mutant.change, said)
        failing = sum(one is not None for one in expected)
        counts[{0: "alike", STATES: "found"}.get(failing, "by power-up state")] += 1
        if failing in {0, STATES}:
            assert said.code == bool(failing), (mutant.change, said, expected)
        if failing and all(one == expected[0] for one in expected):
            assert said.first == expected[0], (mutant.change, said.first, expected)
            counts["same cycle and pins"] += 1
    print(f"{sources.design.name}, {simulator}: {dict(counts)}")
    assert sources.drawn[0][1] == [None] * STATES
    assert counts["found"] >= OF_SOURCE // 2
    assert {mutant.kind for mutant in mutants[1:]} == {
        "operator", "constant", "edge", "reset value",
    }  # fmt: skip

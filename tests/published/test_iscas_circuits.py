"""The smallest ISCAS circuits: published counts of faults and tests, from our own kernel.

Counts: an ISCAS-85 circuit has twice as many single stuck-at faults as the number in its name
(c17: 34), with fan-out branches as sites of their own. That 22 are left after collapsing by
structure, that these give 21 different rows in a fault dictionary, and that the smallest complete
test has 4 vectors, of which there are 10 sets, was computed with an independent program. The
netlists were written from memory, confirmed by the counts of gates in the headers of published
copies.
"""

from __future__ import annotations

from collections import Counter
from functools import reduce
from itertools import combinations
from operator import or_
from pathlib import Path

import numpy as np
import pytest

from harness.grade import fault_list, prove
from harness.netlist import HEALTHY, Force, Lane, Netlist, load_netlist, parse_bench
from tests.simulator import Simulator
from tests.unit.netlist.plain import multiplier

DATA = Path(__file__).parent / "data"
INPUTS = ("1", "2", "3", "6", "7")


def with_branches(text: str) -> str:
    """The same netlist with a buffer in each branch of a net that has several readers."""
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    cells = [line.partition(" = ") for line in lines if " = " in line]
    readers = Counter(
        net.strip() for _, _, cell in cells for net in cell[cell.index("(") + 1 : -1].split(",")
    )
    out = [line for line in lines if " = " not in line]
    for name, _, cell in cells:
        kind, _, inputs = cell[:-1].partition("(")
        nets = [net.strip() for net in inputs.split(",")]
        for place, net in enumerate(nets):
            if readers[net] > 1:
                nets[place] = f"{net}_{name}"
                out.append(f"{nets[place]} = BUFF({net})")
        out.append(f"{name} = {kind}({', '.join(nets)})")
    return "\n".join(out)


@pytest.fixture(scope="module")
def c17() -> Netlist:
    text = with_branches((DATA / "c17.bench").read_text(encoding="utf-8"))
    return parse_bench(text, "c17 with branches", "c17")


def sites(netlist: Netlist) -> list[int]:
    """Every net that the file names, once."""
    return sorted({net for name, net in netlist.nets_by_name.items() if not name.startswith("$")})


def all_rows(netlist: Netlist) -> np.ndarray[tuple[int, int], np.dtype[np.uint64]]:
    """Outputs (22 and 23 as one number) for all 32 inputs: row 0 healthy, then each fault."""
    faults = [Lane(nets=(Force(net, level),)) for net in sites(netlist) for level in (0, 1)]
    simulator = Simulator(netlist, 1 + len(faults), [HEALTHY, *faults])
    columns = []
    for vector in range(32):
        for place, name in enumerate(INPUTS):
            simulator.drive(name, vector >> place & 1)
        simulator.settle()
        columns.append(simulator.read("22") | simulator.read("23") << np.uint64(1))
    return np.array(columns).T


def test_c17_has_the_published_number_of_faults(c17: Netlist) -> None:
    assert 2 * len(sites(c17)) == 34
    assert load_netlist(DATA / "c17.bench").gate_count == 6


def test_c17_computes_what_its_equations_say() -> None:
    """The two outputs as sums of products, worked out by hand from the six gates."""
    netlist = load_netlist(DATA / "c17.bench")
    simulator = Simulator(netlist, 32)
    levels = {name: np.arange(32) >> place & 1 for place, name in enumerate(INPUTS)}
    for name, level in levels.items():
        simulator.drive(name, level)
    simulator.settle()
    one, two, three, six, seven = (levels[name] for name in INPUTS)
    not_both = 1 - (three & six)
    assert simulator.read("22").tolist() == ((one & three) | (two & not_both)).tolist()
    assert simulator.read("23").tolist() == ((two | seven) & not_both).tolist()


def test_every_fault_of_c17_is_found_by_some_vector(c17: Netlist) -> None:
    rows = all_rows(c17)
    assert (rows[1:] != rows[0]).any(axis=1).all()


def test_c17_has_21_rows_in_its_dictionary(c17: Netlist) -> None:
    rows = all_rows(c17)
    assert len({tuple(row) for row in (rows[1:] != rows[0]).tolist()}) == 21


def test_four_vectors_are_the_smallest_complete_test_of_c17(c17: Netlist) -> None:
    rows = all_rows(c17)
    found = [
        sum(1 << int(fault) for fault in np.flatnonzero(column))
        for column in (rows[1:] != rows[0]).T
    ]
    everything = (1 << 34) - 1
    complete = {
        size: sum(
            reduce(or_, (found[v] for v in vectors)) == everything
            for vectors in combinations(range(32), size)
        )
        for size in (3, 4)
    }
    assert complete == {3: 0, 4: 10}


def test_s27_steps_as_its_equations_say() -> None:
    """Sixteen inputs in eight states, each evaluated by hand-written equations."""
    netlist = load_netlist(DATA / "s27.bench")
    number = np.arange(128)
    g0, g1, g2, g3, g5, g6, g7 = (number >> place & 1 for place in range(7))
    order = {"G5": g5, "G6": g6, "G7": g7}
    state = np.array([order[netlist.names[net]] for net in netlist.tables.q])
    simulator = Simulator(netlist, 128, state=state)
    for name, level in (("G0", g0), ("G1", g1), ("G2", g2), ("G3", g3)):
        simulator.drive(name, level)
    simulator.settle()
    g12 = 1 - (g1 | g7)
    g8 = (1 - g0) & g6
    g9 = 1 - ((g3 | g8) & (g12 | g8))
    g11 = 1 - (g5 | g9)
    assert simulator.read("G17").tolist() == (1 - g11).tolist()
    simulator.drive("clock", 1)
    simulator.settle()
    after = {"G5": 1 - ((1 - g0) | g11), "G6": g11, "G7": 1 - (g2 | g12)}
    for name, level in after.items():
        assert simulator.net(netlist.net(name)).tolist() == level.tolist(), name


@pytest.mark.nightly
def test_c6288_has_32_faults_proven_untestable_and_two_too_hard_for_a_proof() -> None:
    """Effort that a grade spends on each; that all 34 are untestable is quoted from memory."""
    faults = fault_list(parse_bench("\n".join(multiplier(16)), "c6288", "c6288"))
    proof = prove(faults, np.ones(len(faults.faults), dtype=np.bool_))
    one = faults.classes
    assert (int(proof.untestable[one].sum()), int(proof.open[one].sum())) == (32, 2)

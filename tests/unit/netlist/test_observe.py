"""Combinational stuck-at detection against brute force with forced nets, pattern by pattern."""

from __future__ import annotations

import numpy as np
import pytest

from harness.netlist import Force, Lane, Netlist, load_netlist, parse_bench
from harness.netlist.lanes import WIDE, pack, unpack
from harness.netlist.observe import Observer
from harness.netlist.stuck import representatives, stuck_faults, with_branches
from tests.published.test_iscas_circuits import DATA
from tests.simulator import Simulator
from tests.unit.netlist.plain import drawn, multiplier


@pytest.mark.parametrize("seed", range(5))
def test_detections_are_those_of_brute_force(seed: int) -> None:
    netlist = with_branches(parse_bench("\n".join(drawn(seed)), "here", "drawn"))
    faults = stuck_faults(netlist)
    observer = Observer(netlist, faults)
    levels = (np.arange(64)[None, :] >> np.arange(6)[:, None]) & 1
    found = unpack(observer.detections(pack(levels.astype(bool), WIDE)), 64)
    names = [port.name for port in netlist.ports if port.direction == "output"]

    def outputs(special: list[Lane]) -> list[list[int]]:
        simulator = Simulator(netlist, 64, special)
        for index in range(6):
            simulator.drive(f"i{index}", levels[index])
        simulator.settle()
        return [simulator.read(name).tolist() for name in names]

    good = outputs([])
    for fault, row in zip(faults, found, strict=True):
        if not fault.readers:
            bad = outputs([Lane(nets=(Force(fault.net, fault.level),))] * 64)
            differ = np.any(np.array(good) != np.array(bad), axis=0)
            assert row.tolist() == differ.astype(int).tolist(), fault


def test_c17_has_21_rows_for_its_22_collapsed_faults() -> None:
    netlist = with_branches(load_netlist(DATA / "c17.bench"))
    faults = stuck_faults(netlist)
    levels = (np.arange(32)[None, :] >> np.arange(5)[:, None]) & 1
    found = unpack(Observer(netlist, faults).detections(pack(levels.astype(bool), WIDE)), 32)
    assert len({tuple(row) for row in found.tolist()}) == 21
    assert len(faults) == 34
    assert found.any(axis=1).all()


def test_a_branch_is_not_its_stem() -> None:
    text = "INPUT(a)\nINPUT(b)\nOUTPUT(y)\nOUTPUT(z)\ny = AND(a, b)\nz = OR(a, b)"
    netlist = with_branches(parse_bench(text, "here", "two"))
    branches = [f for f in stuck_faults(netlist) if f.readers and f.net == netlist.net("a")]
    levels = np.array([[0, 1, 0, 1], [0, 0, 1, 1]], dtype=bool)
    found = unpack(Observer(netlist, branches).detections(pack(levels, WIDE)), 4).tolist()
    assert dict(zip([(f.readers[0][0], f.level) for f in branches], found, strict=True)) == {
        (0, 0): [0, 0, 0, 1],
        (0, 1): [0, 0, 1, 0],
        (1, 0): [0, 1, 0, 0],
        (1, 1): [1, 0, 0, 0],
    }


def whole(name: str) -> Netlist:
    if name == "c6288":
        return with_branches(parse_bench("\n".join(multiplier(16)), "here", name))
    return with_branches(load_netlist(DATA / f"{name}.bench"))


@pytest.mark.parametrize(
    ("name", "every", "collapsed"), [("c17", 34, 22), ("s27", None, 32), ("c6288", 12576, 7744)]
)
def test_as_many_faults_as_published_before_and_after_collapsing(
    name: str, every: int | None, collapsed: int
) -> None:
    faults = stuck_faults(whole(name))
    assert every in {len(faults), None}
    assert len(set(representatives(whole(name), faults).tolist())) == collapsed


def test_the_multiplier_multiplies() -> None:
    simulator = Simulator(whole("c6288"))
    a, b = np.random.default_rng(1).integers(0, 2**16, (2, 64), dtype=np.uint64)
    for place in range(16):
        simulator.drive(f"a{place}", a >> np.uint64(place) & np.uint64(1))
        simulator.drive(f"b{place}", b >> np.uint64(place) & np.uint64(1))
    simulator.settle()
    read = [simulator.read(f"p{place}") << np.uint64(place) for place in range(32)]
    assert np.sum(read, axis=0).tolist() == (a * b).tolist()

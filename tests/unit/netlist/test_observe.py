"""Combinational stuck-at detection against brute force with forced nets, pattern by pattern."""

from __future__ import annotations

import random

import numpy as np
import pytest

from harness.netlist import Force, Kind, Lane, Netlist, Simulator, load_netlist, parse_bench
from harness.netlist.lanes import WIDE, pack, unpack
from harness.netlist.observe import Observer
from harness.netlist.stuck import stuck_faults, with_branches
from tests.published.test_iscas_circuits import DATA

Fault = tuple[int, tuple[tuple[int, int], ...], int]
KINDS = ("AND", "NAND", "OR", "NOR", "XOR", "XNOR", "NOT", "BUFF")


def drawn(seed: int) -> str:
    """A random network in which most nets have several readers and some reach no output."""
    rng = random.Random(seed)
    nets = [f"i{k}" for k in range(6)]
    lines = [f"INPUT({net})" for net in nets]
    for index in range(40):
        kind = rng.choice(KINDS)
        ins = rng.choices(nets, k=1 if kind in {"NOT", "BUFF"} else 2)
        lines.append(f"g{index} = {kind}({', '.join(ins)})")
        nets.append(f"g{index}")
    return "\n".join([*lines, *(f"OUTPUT({net})" for net in rng.sample(nets[-20:], 5))])


@pytest.mark.parametrize("seed", range(5))
def test_detections_are_those_of_brute_force(seed: int) -> None:
    netlist = with_branches(parse_bench(drawn(seed), "here", "drawn"))
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


def collapsed(netlist: Netlist) -> int:
    """Faults that are left when those that a gate makes alike count once; not across flops."""
    faults = [(f.net, f.readers, f.level) for f in stuck_faults(netlist)]
    alike = {fault: fault for fault in faults}

    def root(fault: Fault) -> Fault:
        while alike[fault] != fault:
            fault = alike[fault]
        return fault

    for gate, (kind, a, b, out) in enumerate(netlist.tables.gates.tolist()):
        inner, outer = kind >> 1 & 1, kind & 1
        same = {0: inner ^ outer, 1: inner ^ outer ^ 1} if a == b else {inner: outer}
        for net, pins in [(a, (0, 1))] if a == b else [(a, (0,)), (b, (1,))]:
            branch = (net, tuple((gate, pin) for pin in pins))
            site = branch if (*branch, 0) in alike else (net, ())
            for level, shown in same.items() if kind < Kind.XOR else ():
                alike[root((*site, level))] = root((out, (), shown))
    return len({root(fault) for fault in faults})


@pytest.mark.parametrize(("name", "count"), [("c17", 22), ("s27", 32)])
def test_as_many_faults_are_left_after_collapsing_as_published(name: str, count: int) -> None:
    assert collapsed(with_branches(load_netlist(DATA / f"{name}.bench"))) == count

"""Responses and stuck-at detection of logic that nobody here wrote, as kyupy finds them.

kyupy drops inputs of a gate from the fifth on: both programs get gates with two. A fault of a
whole net is compared; kyupy has no name for a branch.
"""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path

import numpy as np
import pytest
from kyupy import bench
from kyupy.logic_sim import LogicSim

from harness.netlist import load_netlist
from harness.netlist.lanes import FULL, WIDE, unpack
from harness.netlist.observe import Observer
from harness.netlist.stuck import stuck_faults, with_branches
from tests.bench.engine import as_bench


@pytest.mark.nightly  # compiling both programs takes most of a minute
@pytest.mark.parametrize("name", ["c432", "c880"])
def test_patterns_find_the_faults_that_kyupy_finds(tmp_path: Path, name: str) -> None:
    spec = importlib.util.find_spec("circuitgraph")
    assert spec is not None
    assert spec.origin is not None
    shutil.copy(Path(spec.origin).parent / "netlists" / f"{name}.v", tmp_path)
    netlist = with_branches(load_netlist(tmp_path / f"{name}.v"))
    faults = [fault for fault in stuck_faults(netlist) if not fault.readers]
    observer = Observer(netlist, faults)
    patterns = np.random.default_rng(2).integers(0, 2**64, (len(observer.inputs), WIDE), np.uint64)
    found = unpack(observer.detections(patterns), FULL)

    circuit = bench.parse(as_bench(netlist))
    theirs = LogicSim(circuit, sims=FULL, m=2)
    names = [node.name for node in circuit.io_nodes]
    levels = patterns.view(np.uint8)
    for net, level in zip(observer.inputs.tolist(), levels, strict=True):
        theirs.s[0, names.index(f"n{net}"), 0] = level
    outputs = [names.index(f"n{net}") for net in observer.outputs.tolist()]

    def responses(line: int, level: int) -> np.ndarray:
        theirs.s_to_c()
        everywhere = np.full(theirs.c.shape[-1], 255, dtype=np.uint8)
        theirs.c_prop(fault_line=line, fault_mask=everywhere, fault_model=level)
        theirs.c_to_s()
        return np.array(theirs.s[1, outputs, 0])

    good = responses(-1, 0)
    assert (
        good.view(np.uint64) == observer._work.v[observer._made.seen[0, observer.outputs]]
    ).all()
    stems = {node.name: node.ins[0].index for node in circuit.forks.values() if node.ins}
    compared = 0
    for fault, row in zip(faults, found, strict=True):
        line = stems.get(f"n{fault.net}")
        if line is None:
            continue
        differ = np.bitwise_or.reduce(responses(line, fault.level) ^ good, axis=0)
        assert row.tolist() == np.unpackbits(differ, bitorder="little").tolist(), fault
        compared += 1
    assert compared > len(faults) // 2

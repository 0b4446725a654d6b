"""Pins exchanged and lines held, against Icarus Verilog with the same done to the ports there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.netlist import Lane
from harness.shuttle import Design, Direction
from harness.table import load_table
from tests.published import demo, icarus
from tests.published.test_icarus_oracle import unknown_start

pytestmark = pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)

FAULTS = ("exchanged inputs", "exchanged outputs", "input held high", "reset held inactive")
TABLES = [name for name in demo.table_names() if name[0] not in {"vgatiming", "ram16x4"}][:20:2]


def fault(design: Design, kind: str) -> tuple[Lane, dict[int, str]]:
    """The same fault as a lane, and as what is at the ports in Verilog."""
    wanted = Direction.OUTPUT if kind == "exchanged outputs" else Direction.INPUT
    bits = [pin.bit for bus in design.signals if bus.direction is wanted for pin in bus.pins]
    first, last = bits[0], bits[-1]
    if kind.startswith("exchanged"):
        lane = Lane(wires=((first, last), (last, first)))
        return lane, {first: f"pad[{last}]", last: f"pad[{first}]"}
    if kind == "reset held inactive":
        first = next(pin.bit for pin in demo.shuttle().pins if pin.direction is Direction.RESET)
    return Lane(lines=((first, 1),)), {first: "1'b1"}


PAIRS = [
    pytest.param(*table, kind, marks=[] if row % len(FAULTS) == column else pytest.mark.nightly)
    for row, table in enumerate(TABLES)
    for column, kind in enumerate(FAULTS)
]
"""40 pairs of table and fault: in a day's run each table with one of them."""


@pytest.mark.parametrize(("design", "table", "kind"), PAIRS)
def test_a_fault_of_a_pin_does_what_it_does_in_icarus(
    tmp_path: Path, design: str, table: str, kind: str
) -> None:
    shuttle, spec, found = demo.shuttle(), demo.table_spec(design, table), demo.design(design)
    stim = icarus.stimulus(load_table(spec, found, shuttle), spec, shuttle)
    lane, wired = fault(found, kind)
    seen = icarus.simulate(found, shuttle, stim, tmp_path, wired)
    denied, vague = unknown_start(found, lane, stim, seen)
    assert not denied.any(), f"cycle {int(np.flatnonzero(denied)[0])}"
    assert not vague[-1], "unknown in the end only where it is there"

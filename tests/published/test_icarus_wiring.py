"""Pins exchanged and lines held, against Icarus Verilog with the same done to the ports there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.netlist import Chip, Extent, Lane, load_netlist, stimulus
from harness.shuttle import Design, Direction
from harness.table import load_table
from harness.virtual.pin_map import pin_map
from tests.published import demo, icarus

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


@pytest.mark.parametrize("kind", FAULTS)
@pytest.mark.parametrize(("design", "table"), TABLES)
def test_a_fault_of_a_pin_does_what_it_does_in_icarus(
    tmp_path: Path, design: str, table: str, kind: str
) -> None:
    shuttle, spec, found = demo.shuttle(), demo.table_spec(design, table), demo.design(design)
    stim = icarus.stimulus(load_table(spec, found, shuttle), spec, shuttle)
    lane, wired = fault(found, kind)
    seen = icarus.simulate(found, shuttle, stim, tmp_path, wired)
    assert found.netlist is not None
    netlist = load_netlist(found.netlist, found.top)
    row = seen.row
    words = stimulus(stim.drive[row], stim.enable[row], stim.pulse[row], stim.highz[row])
    # Unknown from the start, as there: what the reset would have cleared stays unknown.
    unknown = np.full(netlist.flop_count, 2)
    chip = Chip(netlist, pin_map(netlist, found), lane, unknown, values=3)
    read, _, _, _ = chip.run(words, Extent(len(words), 0, 0, 0, 0, 1 << 60))
    outputs = sum(
        pin.mask for bus in found.signals if bus.direction is Direction.OUTPUT for pin in bus.pins
    )
    held = sum(1 << line for line, _ in lane.lines)
    known = np.uint32(outputs & ~held) & ~read[:, 2].astype(np.uint32)
    known &= seen.high | seen.low
    wrong = known & (read[:, 0].astype(np.uint32) ^ seen.high)
    assert not wrong.any(), f"cycle {int(np.flatnonzero(wrong)[0])}: {int(wrong[wrong > 0][0]):b}"
    assert known[-1] or seen.unknown[-1] & outputs, "unknown in the end only where it is there"

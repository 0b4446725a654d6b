"""Rehearsal against a second opinion: Icarus Verilog on the design's Verilog source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.records import Rehearsal
from harness.rehearse import Cache, Rehearser
from harness.shuttle import TableSpec
from harness.table import load_table
from tests.published import demo, icarus

pytestmark = pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)

HEAD = "clk,a,we,oe_n,dq\n"
WRITES = "C,0x0,1,1,0101\nC,0x1,1,1,1001\n"
READS = "0,0x0,0,0,LHLH\n0,0x1,0,0,HLLH\n"


def both(folder: Path, text: str) -> tuple[Rehearsal, icarus.Stimulus, icarus.Response]:
    """Rehearse a table of the memory, and run it on the memory's source."""
    (folder / "t.csv").write_text(text, "utf-8")
    design, shuttle = demo.design("ram16x4"), demo.shuttle()
    spec = TableSpec("t", folder / "t.csv", 50_000, reset_cycles=0)
    pattern = load_table(spec, design, shuttle)
    found = Rehearser(shuttle, Cache(folder / "cache")).rehearse(design, spec, pattern)
    stim = icarus.stimulus(pattern, spec, shuttle)
    return found, stim, icarus.simulate(design, shuttle, stim, folder)


def test_a_failing_table_fails_there_in_the_same_cycle_and_pins(tmp_path: Path) -> None:
    found, stim, seen = both(tmp_path, HEAD + WRITES + READS + "0,0x1,0,0,HLHL\n" + READS)
    wrong = stim.care & ((stim.expect & seen.low) | (~stim.expect & seen.high))
    (cycle,) = np.flatnonzero(wrong).tolist()
    assert found.first is not None
    assert (found.first.cycle, found.mismatches) == (cycle, 1)
    mask = sum(demo.shuttle().pins_by_name[pin.pin].mask for pin in found.first.wrong)
    assert mask == int(wrong[cycle])


def test_what_depends_on_the_power_up_state_is_unknown_there(tmp_path: Path) -> None:
    found, stim, seen = both(tmp_path, HEAD + WRITES + READS + "0,0x2,0,0,XXLX\n" + READS)
    vague = np.flatnonzero(stim.care & seen.unknown)
    assert [row.row for row in found.unknown] == vague.tolist() == [4]
    assert found.unknown_rows == 1


def test_where_both_drive_different_levels_the_pin_is_unknown_there(tmp_path: Path) -> None:
    found, stim, seen = both(tmp_path, HEAD + WRITES + READS + "0,0x0,0,0,1H0H\n" + READS)
    fought = np.flatnonzero(stim.enable & seen.unknown)
    assert [row.row for row in found.contention] == fought.tolist() == [4]
    assert [pin.split(" (pin ")[1] for pin in found.contention[0].pins] == ["io1)", "io3)"]

"""Every demo table driven into Icarus Verilog: the promised values, then our engine's.

The Verilog source is the design; Icarus Verilog is the second opinion on the tables' expected
values and on what the gate-level engine makes of the committed netlist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.board import ShiftSelect
from harness.netlist import HEALTHY, Chip, Extent, Lane, load_netlist, pin_map, stimulus
from harness.shuttle import Design, Direction, Shuttle
from harness.table import Words, load_table
from harness.virtual import ChipDefect
from harness.virtual.chip import ChipModel
from harness.virtual.faults import NetStuck
from tests.published import demo, icarus

pytestmark = pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)

SELECT = ShiftSelect(data="seld", clock="selc", bits=5)


@cache
def answer(folder: Path, design: str, table: str) -> tuple[icarus.Stimulus, icarus.Response]:
    shuttle, spec = demo.shuttle(), demo.table_spec(design, table)
    pattern = load_table(spec, demo.design(design), shuttle)
    stim = icarus.stimulus(pattern, spec, shuttle)
    place = folder / f"{design}-{table}"
    place.mkdir()
    return stim, icarus.simulate(demo.design(design), shuttle, stim, place)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("icarus")


def final_cycles(row: NDArray[np.int64]) -> NDArray[np.bool_]:
    """The last cycle of each row: the one that an ``until`` row is judged by."""
    last = np.ones(len(row), dtype=np.bool_)
    last[:-1] = row[1:] != row[:-1]
    return last


def describe(wrong: Words, row: NDArray[np.int64], stim: icarus.Stimulus) -> str:
    """Where the first wrong cycle is, and which pins are wrong in it."""
    cycle = int(np.flatnonzero(wrong)[0])
    pins = [pin.name for pin in demo.shuttle().pins if int(wrong[cycle]) & pin.mask]
    return f"cycle {cycle}, vector {int(row[cycle]) - stim.reset_rows}: {', '.join(pins)}"


def promises_broken(stim: icarus.Stimulus, seen: icarus.Response) -> Words:
    """Pins, in each cycle, on which Icarus Verilog differs from what the table expects."""
    row = seen.row
    judged = final_cycles(row) | ~stim.until[row]
    expect, care = stim.expect[row], stim.care[row] * judged
    met = (expect & seen.high) | (~expect & seen.low)
    broken: Words = (care & ~met) | (stim.highz[row] & ~seen.floating)
    return broken


def kernel_differs(
    design: str, stim: icarus.Stimulus, seen: icarus.Response, defects: Sequence[ChipDefect] = ()
) -> Words:
    """Pins, in each cycle of the table, on which our virtual chip differs from Icarus Verilog.

    Every pin with a level is compared, tested or not; high impedance where the table tests it.
    """
    chip = ChipModel(demo.shuttle(), SELECT, "SP2-0001", defects)
    select(chip, demo.shuttle(), demo.design(design).address)
    row = seen.row
    levels, floating = chip.run(stim.drive[row], stim.enable[row], stim.pulse[row], stim.highz[row])
    differ: Words = (seen.high | seen.low) & (levels ^ seen.high)
    differ |= stim.highz[row] & (floating ^ seen.floating)
    differ[: np.searchsorted(row, stim.reset_rows)] = 0
    return differ


@pytest.mark.parametrize(("design", "table"), demo.table_names())
def test_the_verilog_source_gives_what_the_table_promises(
    design: str, table: str, folder: Path
) -> None:
    stim, seen = answer(folder, design, table)
    wrong = promises_broken(stim, seen)
    assert not wrong.any(), describe(wrong, seen.row, stim)
    assert int(seen.row[-1]) == len(stim.drive) - 1


@pytest.mark.parametrize(("design", "table"), demo.table_names())
def test_our_kernel_follows_icarus_cycle_by_cycle(design: str, table: str, folder: Path) -> None:
    stim, seen = answer(folder, design, table)
    wrong = kernel_differs(design, stim, seen)
    assert not wrong.any(), describe(wrong, seen.row, stim)


@pytest.mark.parametrize(("design", "table"), demo.table_names())
def test_from_an_unknown_start_a_level_is_known_when_icarus_knows_it(
    design: str, table: str, folder: Path
) -> None:
    stim, seen = answer(folder, design, table)
    denied, vague = unknown_start(demo.design(design), HEALTHY, stim, seen)
    assert not denied.any(), f"cycle {int(np.flatnonzero(denied)[0])}"
    assert not vague[-1]


def test_a_wrong_promise_is_noticed(folder: Path) -> None:
    stim, seen = answer(folder, "ctr163", "sequence")
    flipped = stim.expect.copy()
    flipped[5] ^= np.uint32(demo.design("ctr163").signals_by_name["q"].pins[-1].mask)
    wrong = promises_broken(replace(stim, expect=flipped), seen)
    assert np.flatnonzero(wrong).size == 1
    assert describe(wrong, seen.row, stim).endswith("vector 4: out0")


def test_a_wrong_gate_is_noticed(folder: Path) -> None:
    stim, seen = answer(folder, "bcd7seg", "function")
    defect = NetStuck("bcd7seg", "rbo_n", 1)
    assert kernel_differs("bcd7seg", stim, seen, [defect]).any()


def unknown_start(
    design: Design, lane: Lane, stim: icarus.Stimulus, seen: icarus.Response
) -> tuple[Words, Words]:
    """Output pins, cycle by cycle, on which a chip that starts unknown, as there, says another
    level than Icarus Verilog; and on which it knows none, but Icarus Verilog does."""
    assert design.netlist is not None
    netlist, row = load_netlist(design.netlist, design.top), seen.row
    words = stimulus(stim.drive[row], stim.enable[row], stim.pulse[row], stim.highz[row])
    unknown = np.full(netlist.flop_count, 2)
    chip = Chip(netlist, pin_map(netlist, design), lane, unknown, values=3)
    read = chip.run(words, Extent(len(words), 0, 0, 0, 0, 1 << 60))[0].astype(np.uint32)
    outputs = sum(
        pin.mask for bus in design.signals if bus.direction is Direction.OUTPUT for pin in bus.pins
    )
    held = sum(1 << line for line, _ in lane.lines)
    looked = np.uint32(outputs & ~held) & (seen.high | seen.low)
    return looked & ~read[:, 2] & (read[:, 0] ^ seen.high), looked & read[:, 2]


def select(chip: ChipModel, shuttle: Shuttle, address: int) -> None:
    """Shift the address in, most significant bit first, reset held."""
    bits = [address >> place & 1 for place in reversed(range(SELECT.bits))]
    data = shuttle.pins_by_name[SELECT.data].mask
    drive = np.array([data * bit for bit in bits], dtype=np.uint32)
    enable = np.full(len(bits), shuttle.mask(*icarus.RESTING), dtype=np.uint32)
    pulse = np.full(len(bits), shuttle.pins_by_name[SELECT.clock].mask, dtype=np.uint32)
    chip.run(drive, enable, pulse, np.zeros_like(drive))

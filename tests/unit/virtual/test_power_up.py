"""Power-up of a design: flops hold what the chip's serial number gives, unless reset holds them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.board import ShiftSelect
from harness.shuttle import Design, Direction, Shuttle, load_shuttle
from harness.virtual.chip import ChipModel

SELECT = ShiftSelect("seld", "selc", 5)
SERIALS = [f"SP2-{number:04}" for number in range(1, 9)]


@pytest.fixture(scope="module")
def shuttle() -> Shuttle:
    return load_shuttle(Path(__file__).parents[3] / "vectors")


@pytest.fixture
def bank(shuttle: Shuttle) -> Design:
    """A design with an asynchronous reset and no use for the chip's clock."""
    return shuttle.designs_by_name["spibank"]


def register_after(shuttle: Shuttle, design: Design, serial: str, reset_mask: int) -> int:
    """Select a design with these pins pulled low, let go of them, and read its register 0."""
    chip = ChipModel(shuttle, SELECT, serial)
    rest, enable = shuttle.rest_levels
    steps = SELECT.steps(design.address, shuttle)
    held = rest & ~reset_mask
    drive = np.array([*[step.drive | held for step in steps], rest], dtype=np.uint32)
    pulse = np.array([*[step.pulse for step in steps], 0], dtype=np.uint32)
    enables = np.full_like(drive, enable)
    seen, _ = chip.run(drive, enables, pulse, np.zeros_like(drive))
    return int(seen[-1]) & design.signals_by_name["r0"].mask


@pytest.mark.parametrize("serial", SERIALS)
def test_a_reset_that_is_active_at_power_up_needs_no_edge(
    shuttle: Shuttle, bank: Design, serial: str
) -> None:
    assert register_after(shuttle, bank, serial, shuttle.mask(Direction.RESET)) == 0


def test_without_reset_registers_hold_what_the_serial_number_gives(
    shuttle: Shuttle, bank: Design
) -> None:
    found = [register_after(shuttle, bank, serial, 0) for serial in SERIALS]
    assert len(set(found)) > 1
    assert found == [register_after(shuttle, bank, serial, 0) for serial in SERIALS]

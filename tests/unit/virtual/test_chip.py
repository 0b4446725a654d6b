"""A healthy virtual chip: selection, the order of a vector, directions, state."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.board import ParallelSelect, PulseSelect
from harness.errors import VirtualError
from harness.virtual.chip import ChipModel
from tests.unit.virtual.small import (
    DRIVEN,
    NOTHING,
    PAD,
    PINS,
    REGISTER,
    RING,
    SHIFT,
    Bench,
    bench,
    mask,
    outputs,
    shuttle,
    words,
)


def test_inputs_reach_the_design_and_outputs_come_back(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    assert "out2" not in chip.one("in1")
    assert "out2" in chip.one("in1 in2")


def test_a_pulse_comes_after_the_inputs_and_before_the_outputs_are_read(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    chip.one("", pulse="clk")
    chip.one("", pulse="clk")
    assert chip.one("in0", pulse="clk") == "out0"
    assert chip.one("", pulse="clk") == "out1"
    assert chip.one("in0") == "out1"


def test_a_pulse_down_clocks_when_it_comes_back_up(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    for _ in range(3):
        chip.one("", pulse="clk")
    assert chip.one("in0 clk") == "out0", "the clock rises with its drive"
    assert chip.one("clk", pulse="clk") == "out1"


def test_a_pulse_on_a_pin_that_is_not_driven_does_nothing(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    for _ in range(3):
        chip.one("", pulse="clk")
    assert chip.one("in0", pulse="clk", released="clk") == ""


def test_an_input_that_nobody_drives_is_low(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    assert "out2" not in chip.one("in1 in2", released="in2")


def test_a_bidirectional_pin_goes_either_way_and_the_controller_wins(tmp_path: Path) -> None:
    chip = bench(tmp_path, PAD)
    assert chip.one("") == "out0", "it floats, so it is low"
    assert chip.one("in0 in1") == "io0", "the design drives it"
    assert chip.one("io0") == "io0", "the controller drives it"
    assert chip.one("in1 io0") == "io0", "both do"


def test_high_impedance_is_found_where_nobody_drives(tmp_path: Path) -> None:
    chip = bench(tmp_path, PAD)
    assert chip.one("", highz="io0") == "out0 io0~"
    assert chip.one("in1", highz="io0") == "out0"
    assert chip.one("io0", highz="io0") == "io0"
    assert chip.one("in0 in1", highz="out1 out2 out0") == "io0 out1~ out2~", "unused outputs float"


def test_an_address_without_a_design_floats(tmp_path: Path) -> None:
    chip = bench(tmp_path, NOTHING)
    everything = "out0 out1 out2 io0"
    assert chip.one("in0 in1 in2", highz=everything) == "out0~ out1~ out2~ io0~"


def test_a_design_keeps_its_state_while_others_are_selected(tmp_path: Path) -> None:
    chip = bench(tmp_path)
    chip.one("", pulse="clk")
    chip.one("in0", pulse="clk")
    chip.select(PAD)
    for _ in range(5):
        chip.one("", pulse="clk")
    chip.select(REGISTER)
    assert chip.one("") == "out0"


def test_the_parallel_address_counts_in_the_vector_that_sets_it(tmp_path: Path) -> None:
    chip = bench(tmp_path, select=ParallelSelect(("seld", "selc")))
    assert chip.one("seld in0 in1") == "io0", "address 2"
    assert "out2" in chip.one("selc in1 in2"), "address 1"
    assert chip.one("in0 in1 in2", highz="out0") == "out0~", "address 0"


def test_pulses_count_the_address_up_after_a_clear(tmp_path: Path) -> None:
    chip = bench(tmp_path, select=PulseSelect(step="selc", clear="seld"))
    chip.one("", pulse="seld")
    assert chip.one("", highz="out0") == "out0~"
    chip.one("", pulse="selc")
    assert "out2" in chip.one("in1 in2")
    chip.one("selc")
    assert chip.one("in0 in1") == "io0", "levels that rise count as well"
    chip.one("", pulse="seld")
    assert chip.one("", highz="out0") == "out0~"


def test_selection_inside_a_burst_takes_effect_in_its_vector(tmp_path: Path) -> None:
    chip = bench(tmp_path, NOTHING)
    drive = [mask("seld"), 0, mask("in0", "in1"), mask("in0", "in1"), mask("seld")]
    pulse = [mask("selc"), mask("selc"), 0, 0, 0]
    seen, _ = chip.chip.run(*words(drive, [DRIVEN] * 5, pulse, [0] * 5))
    assert [outputs(int(word)) for word in seen[1:4]] == [["out0"], ["io0"], ["io0"]]


def power_up_levels(folder: Path, serial: str) -> str:
    return bench(folder, serial=serial).one("")


def test_power_up_levels_belong_to_the_chip(tmp_path: Path) -> None:
    levels = [power_up_levels(tmp_path, f"S-{number}") for number in range(20)]
    assert levels == [power_up_levels(tmp_path, f"S-{number}") for number in range(20)]
    assert len(set(levels)) == 4, "two flops: every combination occurs among 20 chips"


vectors = st.tuples(*[st.integers(0, 2 ** len(PINS) - 1)] * 4)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(vectors, min_size=1, max_size=12), cut=st.integers(0, 12))
def test_a_burst_is_the_same_as_its_parts(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, ...]], cut: int
) -> None:
    """Anything driven and pulsed, select pins included."""
    whole = shuttle(tmp_path_factory.mktemp("parts", numbered=True))
    calm = replace(whole, designs=whole.designs[:2])
    once, twice = ChipModel(calm, SHIFT, "S-1"), ChipModel(calm, SHIFT, "S-1")
    columns = words(*zip(*rows, strict=True))
    first = twice.run(*(column[:cut] for column in columns))
    second = twice.run(*(column[cut:] for column in columns))
    for both, one, two in zip(once.run(*columns), first, second, strict=True):
        assert both.tolist() == np.concatenate((one, two)).tolist()


def test_until_stops_when_the_outputs_are_as_expected(tmp_path: Path) -> None:
    chip = bench(tmp_path).chip
    chip.run(*words([0, 0], [DRIVEN] * 2, [mask("clk")] * 2, [0] * 2))
    drive, pulse, both = mask("in0"), mask("clk"), mask("out0", "out1")
    used, seen, matched = chip.run_until(drive, DRIVEN, pulse, both, both, 10)
    assert (used, outputs(seen), matched) == (2, ["out0", "out1"], True)
    used, seen, matched = chip.run_until(drive, DRIVEN, pulse, 0, both, 7)
    assert (used, outputs(seen), matched) == (7, ["out0", "out1"], False)
    assert chip.run_until(drive, DRIVEN, pulse, 0, 0, 7)[::2] == (1, True)


def test_until_may_step_the_selection(tmp_path: Path) -> None:
    chip = bench(tmp_path, select=PulseSelect(step="selc", clear="seld"))
    chip.one("", pulse="seld")
    drive, wanted = mask("in0", "in1"), mask("io0")
    assert chip.chip.run_until(drive, DRIVEN, mask("selc"), wanted, wanted, 9)[::2] == (2, True)


def test_an_empty_burst_gives_nothing(tmp_path: Path) -> None:
    seen, floating = bench(tmp_path).chip.run(*words([], [], [], []))
    assert len(seen) == len(floating) == 0


def test_a_design_that_never_settles_is_named(tmp_path: Path) -> None:
    chip = bench(tmp_path, RING)
    with pytest.raises(VirtualError, match=r"^design ring: net \S+ never becomes stable in cycle"):
        chip.one("in0")
    with pytest.raises(VirtualError, match=r"^design ring: net \S+ never becomes stable$"):
        chip.one("in0")
    selc = mask("selc")
    chip.chip.run(*words([mask("seld"), 0, 0], [DRIVEN] * 3, [selc, selc, 0], [0] * 3))
    assert chip.one("in0 in1") == "io0", "the chip is still of use for other designs"


@pytest.mark.parametrize("text", [None, "", '{"modules": {"top": {"ports": 5}}}'])
def test_a_design_without_a_usable_netlist_drives_nothing(tmp_path: Path, text: str | None) -> None:
    """While an address is shifted in, others are selected: none of them may end the chip."""
    whole = shuttle(tmp_path)
    spoiled = tmp_path / "spoiled.json"
    spoiled.write_text(text or "")
    netlist = spoiled if text is not None else None
    bare = replace(whole, designs=(replace(whole.designs[0], netlist=netlist), whole.designs[1]))
    chip = Bench(ChipModel(bare, SHIFT, "S-1"))
    chip.select(REGISTER)
    assert chip.one("in1 in2", highz="out0 out1 out2") == "out0~ out1~ out2~"
    chip.select(PAD)
    assert chip.one("in0 in1") == "io0"

"""Defects of chips and faults of boards: what the controller gets to see of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from harness.board import ParallelSelect
from harness.errors import VirtualError
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.faults import (
    DeadPad,
    MovedPins,
    NetBridge,
    NetStuck,
    NeverHigh,
    NeverLow,
    NoClock,
    NoSupply,
    OpenPin,
    OtherShuttle,
    OutputStuck,
    SelectBitStuck,
    ShortedPins,
    SlowPath,
    StuckPin,
    SwappedPins,
    TurnedChip,
)
from tests.unit.virtual.small import DRIVEN, NOTHING, PAD, bench, mask, words


def answers(folder: Path, defects: Sequence[ChipDefect], cycles: Sequence[str]) -> list[str]:
    """What the register gives in clocked cycles with these pins high, after two low ones."""
    chip = bench(folder, defects=defects)
    return [chip.one(high, pulse="clk") for high in ("", "", *cycles)][2:]


CYCLES = ("in0", "", "in0 in1 in2", "in1 in2", "")
HEALTHY = ["out0", "out1", "out0 out2", "out1 out2", ""]


def test_without_defects(tmp_path: Path) -> None:
    assert answers(tmp_path, (), CYCLES) == HEALTHY


@pytest.mark.parametrize(
    ("net", "level", "seen"),
    [
        ("q[0]", 0, ["", "", "out2", "out2", ""]),
        ("q[0]", 1, ["out0 out1", "out0 out1", "out0 out1 out2", "out0 out1 out2", "out0 out1"]),
        ("q[1]", 1, ["out0 out1", "out1", "out0 out1 out2", "out1 out2", "out1"]),
        ("d", 1, ["out0 out1", "out0 out1", "out0 out1 out2", "out0 out1 out2", "out0 out1"]),
        ("both", 1, ["out0 out2", "out1 out2", "out0 out2", "out1 out2", "out2"]),
        ("ab[0]", 1, HEALTHY),
        ("ab[1]", 0, ["out0", "out1", "out0", "out1", ""]),
    ],
)
def test_a_stuck_net(tmp_path: Path, net: str, level: int, seen: list[str]) -> None:
    assert answers(tmp_path, [NetStuck("register", net, level)], CYCLES) == seen


def test_a_clock_net_that_is_stuck_leaves_the_flops_at_their_power_up_levels(
    tmp_path: Path,
) -> None:
    stuck = [NetStuck("register", "clk", 0)]
    assert len(set(answers(tmp_path, stuck, ("in0", "", "in0", "in0")))) == 1


def test_an_output_pin_is_stuck_whatever_is_selected(tmp_path: Path) -> None:
    stuck = [OutputStuck("out1", 1)]
    assert answers(tmp_path, stuck, ("in0", "")) == ["out0 out1", "out1"]
    chip = bench(tmp_path, NOTHING, stuck)
    assert chip.one("", highz="out0 out1") == "out1 out0~"
    assert answers(tmp_path, [OutputStuck("out0", 0)], CYCLES)[0] == ""


def shares(folder: Path, defect: ChipDefect, cycles: int = 4000) -> tuple[list[int], float]:
    """The cycles in which out2 was high though it should be low, and their share."""
    chip = bench(folder, defects=[defect]).chip
    seen, _ = chip.run(*words([0] * cycles, [DRIVEN] * cycles, [0] * cycles, [0] * cycles))
    high = [index for index, word in enumerate(seen.tolist()) if word & mask("out2")]
    return high, len(high) / cycles


@pytest.mark.parametrize("probability", [0.0, 0.02, 0.3, 1.0])
def test_an_intermittent_defect_happens_as_often_as_it_should(
    tmp_path: Path, probability: float
) -> None:
    """Within four standard deviations of the binomial distribution."""
    slack = 4 * (probability * (1 - probability) / 4000) ** 0.5
    net = NetStuck("register", "both", 1, probability, seed=3)
    pin = OutputStuck("out2", 1, probability=probability, seed=4)
    for defect in (net, pin):
        assert abs(shares(tmp_path, defect)[1] - probability) <= slack


def test_an_intermittent_defect_repeats_with_its_seed_only(tmp_path: Path) -> None:
    one, two = (NetStuck("register", "both", 1, 0.1, seed) for seed in (1, 2))
    assert shares(tmp_path, one)[0] == shares(tmp_path, one)[0]
    assert shares(tmp_path, one)[0] != shares(tmp_path, two)[0]


def test_running_again_meets_other_cycles_of_an_intermittent_defect(tmp_path: Path) -> None:
    chip = bench(tmp_path, defects=[NetStuck("register", "both", 1, 0.5)]).chip
    burst = words([0] * 64, [DRIVEN] * 64, [0] * 64, [0] * 64)
    assert chip.run(*burst)[0].tolist() != chip.run(*burst)[0].tolist()


@pytest.mark.parametrize(
    ("wired", "seen"), [("and", ["", ""]), ("or", ["out0 out2", "out0 out1 out2"])]
)
def test_bridged_nets_carry_one_level(tmp_path: Path, wired: str, seen: list[str]) -> None:
    bridge = NetBridge("register", "d", "ab[0]", wired)
    assert answers(tmp_path, [bridge], ("in0 in2", "in1 in2")) == seen


def test_a_bridge_that_swings_does_not_stop_the_chip(tmp_path: Path) -> None:
    chip = bench(tmp_path, PAD, [NetBridge("pad", "io", "inverse")])
    assert chip.one("io0") in {"io0", "out0 io0"}
    assert chip.one("in0 in1") is not None


def test_a_slow_path_shows_the_cycle_before_above_its_limit(tmp_path: Path) -> None:
    chip = bench(tmp_path, defects=[SlowPath("register", "both", limit_hz=1000)])
    stimulus = ("in1 in2", "", "in1 in2", "in1 in2", "")
    prompt = ["out2", "", "out2", "out2", ""]
    late = ["", "out2", "", "out2", "out2"]

    def seen() -> list[str]:
        clocked = [chip.one(high, pulse="clk") for high in ("", "", *stimulus)][2:]
        return ["out2" if "out2" in names else "" for names in clocked]

    assert seen() == prompt
    chip.chip.configure(1000)
    assert seen() == prompt
    chip.chip.configure(1001)
    assert seen() == late
    chip.chip.configure(999)
    assert seen() == prompt


def test_an_open_pin_floats_on_both_sides(tmp_path: Path) -> None:
    chip = bench(tmp_path, faults=[OpenPin("in2"), OpenPin("out0")])
    assert chip.one("in1 in2", pulse="clk", highz="out0 out1").endswith("out0~")
    for _ in range(3):
        assert "out0" not in chip.one("in0 in1 in2", pulse="clk").split()
    assert chip.one("in0 in1 in2", pulse="clk") == "out1", "in2 never gets there, out1 does"


def test_swapped_pins_are_exchanged_in_both_directions(tmp_path: Path) -> None:
    swaps = [SwappedPins("in0", "in1"), SwappedPins("out1", "out2")]
    chip = bench(tmp_path, faults=swaps)
    for _ in range(2):
        chip.one("", pulse="clk")
    assert chip.one("in1", pulse="clk") == "out0"
    assert chip.one("", pulse="clk") == "out2"
    assert chip.one("in0 in2") == "out1 out2"


def test_without_a_clock_line_nothing_is_clocked(tmp_path: Path) -> None:
    chip = bench(tmp_path, faults=[NoClock()])
    first = chip.one("")
    for high in ("in0", "", "in0", "in0"):
        assert chip.one(high, pulse="clk") == first


def test_an_open_select_pin_keeps_the_design_from_being_selected(tmp_path: Path) -> None:
    chip = bench(tmp_path, faults=[OpenPin("seld")])
    assert chip.one("", highz="out0") == "out0~", "the address is all zeros"


SHORT = ShortedPins("in1", "in2")
WITH_ITS_INPUT = ShortedPins("in1", "out2")


@pytest.mark.parametrize(
    ("fault", "high", "seen"),
    [
        (SHORT, "in1", ""),
        (SHORT, "in1 in2", "out2"),
        (replace(SHORT, wired="or"), "in1", "out2"),
        (WITH_ITS_INPUT, "in1 in2", ""),  # low from before, which keeps the input low
        (replace(WITH_ITS_INPUT, wired="or"), "in1", "out2"),
        (replace(WITH_ITS_INPUT, wired="or"), "", ""),
        (StuckPin("in1", 1), "in2", "out2"),
        (StuckPin("in1", 0), "in1 in2", ""),
        (StuckPin("out2", 1), "", "out2"),
        (DeadPad("in1", 1), "in2", "out2"),
        (DeadPad("in1", 0), "in1 in2", ""),
        (DeadPad("out2"), "in1 in2", "out2~"),
        (NeverHigh("out2"), "in1 in2", "out2~"),
        (NeverHigh("out2"), "", ""),
        (NeverLow("out2"), "", "out2~"),
        (NeverLow("out2"), "in1 in2", "out2"),
        (MovedPins(("in0", "in1", "in2")), "in0 in2", "out2"),
        (MovedPins(("in0", "in1", "in2")), "in1 in2", ""),
        (NoSupply(), "in1 in2", "out2~"),
        (SelectBitStuck(0, 0), "in1 in2", "out2~"),
        (SelectBitStuck(1, 1), "in1 in2", "out2~"),
        (OtherShuttle(1), "in1 in2", "out2~"),
    ],
)
def test_what_a_fault_makes_of_an_and_gate(
    tmp_path: Path, fault: BoardFault | ChipDefect, high: str, seen: str
) -> None:
    """``out2`` is ``in1`` and ``in2``; ``~`` marks what floats."""
    defects = [fault] if isinstance(fault, ChipDefect) else []
    faults = [fault] if isinstance(fault, BoardFault) else []
    chip = bench(tmp_path, defects=defects, faults=faults)
    read = chip.one(high, highz="out2").split()
    assert " ".join(name for name in read if name.startswith("out2")) == seen


def test_shorts_form_chains_and_a_held_line_holds_all_of_one(tmp_path: Path) -> None:
    chain = [ShortedPins("in1", "out1", "or"), ShortedPins("out1", "in2", "or")]
    assert "out2" in bench(tmp_path, faults=chain).one("in1")
    held = bench(tmp_path, faults=[*chain, StuckPin("in2", 1)])
    assert "out2" in held.one("").split()


def test_a_bidirectional_pin_lets_go_of_a_line_that_it_is_shorted_to(tmp_path: Path) -> None:
    """What a pin drives is not taken for what it is driven to: else it would hold for ever."""
    chip = bench(tmp_path, PAD, faults=[ShortedPins("io0", "in2")])
    assert "io0" not in chip.one("in0 in1").split(), "the controller's low wins"
    assert "io0" in chip.one("in0 in1 in2").split()
    assert "io0" in chip.one("in2").split(), "driven by the controller alone"
    assert "io0" not in chip.one("in0").split()


def test_a_line_shorted_to_a_select_pin_selects(tmp_path: Path) -> None:
    chip = bench(
        tmp_path, select=ParallelSelect(("seld", "selc")), faults=[ShortedPins("selc", "in0", "or")]
    )
    assert chip.one("in1 in2", highz="out2").endswith("out2~")
    assert "out2" in chip.one("in0 in1 in2").split(), "address 1"


def test_a_chip_that_was_turned_has_its_pins_in_reverse_order(tmp_path: Path) -> None:
    chip = bench(tmp_path, select=ParallelSelect(("seld", "selc")), faults=[TurnedChip()])
    assert "out2" in chip.one("in0 seld nreset").split(), "address 1, in1 and in2"
    assert "out2" not in chip.one("in0 seld").split()


def test_a_fault_that_comes_by_runs_stays_for_a_whole_run(tmp_path: Path) -> None:
    fault = StuckPin("out2", 1, probability=0.5, per="run", seed=2)

    def levels() -> list[set[bool]]:
        chip = bench(tmp_path, faults=[fault])
        found = []
        for _ in range(40):
            chip.chip.configure(1000)
            found.append({"out2" in chip.one("").split() for _ in range(5)})
        return found

    assert levels() == levels()
    assert all(len(run) == 1 for run in levels())
    assert 8 <= sum(True in run for run in levels()) <= 32


def test_a_stuck_pin_behind_an_open_line_is_not_seen(tmp_path: Path) -> None:
    chip = bench(tmp_path, defects=[OutputStuck("out2", 1)], faults=[OpenPin("out2")])
    assert chip.one("", highz="out2").endswith("out2~")


@pytest.mark.parametrize(
    ("defects", "faults", "complaint"),
    [
        (
            [NetStuck("registre", "q", 0)],
            [],
            "no design is named 'registre'; the nearest",
        ),
        ([NetStuck("register", "bth", 0)], [], "no net is named 'bth'; the nearest are both"),
        ([NetBridge("register", "d", "q")], [], "no net is named 'q'; there are "),
        ([SlowPath("register", "boht", 1.0)], [], "no net is named 'boht'; the nearest are both"),
        ([OutputStuck("out9", 0)], [], "no chip pin is named 'out9'; the nearest are out"),
        ([], [OpenPin("uot1")], "no chip pin is named 'uot1'; the nearest are out1"),
        ([], [SwappedPins("in0", "inn1")], "no chip pin is named 'inn1'; the nearest are in1"),
    ],
)
def test_names_that_do_not_exist_are_answered_with_the_nearest(
    tmp_path: Path, defects: list[ChipDefect], faults: list[BoardFault], complaint: str
) -> None:
    with pytest.raises(VirtualError) as caught:
        bench(tmp_path, defects=defects, faults=faults)
    assert complaint in str(caught.value)


def test_a_slow_path_gets_slower_with_the_chip(tmp_path: Path) -> None:
    chip = bench(tmp_path, defects=[SlowPath("register", "both", limit_hz=1000)])
    chip.chip.configure(900)

    def late() -> bool:
        seen = [chip.one(high, pulse="clk") for high in ("", "", "in1 in2")]
        return "out2" not in seen[-1]

    found = []
    for speed in (1.0, 0.91, 0.89, 0.0, 1.0):
        chip.chip.set_speed(speed)
        found.append(late())
    assert found == [False, False, True, True, False]

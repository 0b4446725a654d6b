"""Everything that may be wrong, once each; and which design answers when the selection is."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest

from harness.board import (
    ParallelSelect,
    PulseSelect,
    SelectMethod,
    ShiftSelect,
    load_profile,
)
from harness.netlist import HEALTHY, Kind, Lane, Short
from harness.records import CauseKind
from harness.rehearse import Hypothesis, Trial, trials
from harness.rehearse.selection import answering
from harness.shuttle import Direction
from harness.virtual.chip import ChipModel
from harness.virtual.faults import BoardFault, OpenPin, SwappedPins
from tests.published import demo

WADER = Path(__file__).parents[3] / "ci" / "wader.toml"
SHUTTLE = demo.shuttle()
TRIALS = trials(SHUTTLE, load_profile(WADER, SHUTTLE))
SELD, SELC = SHUTTLE.pins_by_name["seld"].bit, SHUTTLE.pins_by_name["selc"].bit


def named(kind: CauseKind, *pins: str) -> list[Trial]:
    return [t for t in TRIALS if t.hypothesis.kind is kind and t.hypothesis.pins == pins]


def test_the_first_is_that_nothing_is_wrong() -> None:
    assert TRIALS[0] == Trial(Hypothesis(CauseKind.GOOD), HEALTHY, None)


def test_each_is_there_once() -> None:
    names = [(t.hypothesis.kind, t.hypothesis.pins, t.hypothesis.detail) for t in TRIALS]
    assert len(set(names)) == len(names)


def test_every_pin_may_be_open_or_held_and_every_pair_exchanged_or_shorted() -> None:
    pins = [pin for pin in SHUTTLE.pins if pin.direction is not Direction.SELECT]
    held = (CauseKind.STUCK, CauseKind.RESET_HELD, CauseKind.RESET_NEVER)
    for pin in pins:
        opened = [*named(CauseKind.OPEN, pin.name), *named(CauseKind.NO_CLOCK, pin.name)]
        assert [trial.lane for trial in opened] == [Lane(wires=((pin.bit, None),))]
        assert {t.lane for kind in held for t in named(kind, pin.name)} == {
            Lane(lines=((pin.bit, level),)) for level in (0, 1)
        }
    for a, b in combinations(pins, 2):
        assert len(named(CauseKind.EXCHANGED, a.name, b.name)) == 1
        details = [t.hypothesis.detail for t in named(CauseKind.SHORT, a.name, b.name)]
        assert details == ["and", "or"]


def test_neighbours_on_the_board_or_on_the_chip_are_more_probable_than_other_pairs() -> None:
    (chip,), (board,), (far,) = (
        named(CauseKind.EXCHANGED, *pair)
        for pair in [("in8", "out0"), ("in0", "selc"), ("in0", "io3")]
    )
    assert chip.hypothesis.prior == board.hypothesis.prior == CauseKind.EXCHANGED.prior
    assert far.hypothesis.prior == pytest.approx(2e-5)


POWERS_UP_AT_0 = "SP2-0162"
"""A chip whose register of addresses has that at power-up."""
METHODS: dict[str, SelectMethod] = {
    "shift": ShiftSelect("seld", "selc", 5),
    "parallel": ParallelSelect(("in4", "in3", "in2", "in1", "in0")),
    "pulses": PulseSelect("selc", "seld"),
}


def faults(method: SelectMethod) -> Iterator[tuple[BoardFault, Lane]]:
    """Faults as virtual boards have them, and as lanes."""
    names = ["in0", "in3", "in4"] if isinstance(method, ParallelSelect) else ["seld", "selc"]
    bits = {name: SHUTTLE.pins_by_name[name].bit for name in (*names, "out0")}
    for name in names:
        yield OpenPin(name), Lane(wires=((bits[name], None),))
    for a, b in combinations(bits, 2):
        yield SwappedPins(a, b), Lane(wires=((bits[a], bits[b]), (bits[b], bits[a])))


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
def test_the_design_that_answers_is_the_one_that_a_virtual_chip_selects(
    method: SelectMethod,
) -> None:
    for fault, lane in faults(method):
        found = answering(method, SHUTTLE, lane)
        chip = ChipModel(SHUTTLE, method, POWERS_UP_AT_0, (), [fault])
        for design in SHUTTLE.designs if found is not None else ():
            for step in method.steps(design.address, SHUTTLE):
                chip.run_until(step.drive, SHUTTLE.rest_levels[1], step.pulse, 0, 0, 1)
            assert found is not None
            assert found[design.name] == chip.selected, (fault, design.name)


def test_a_dead_clock_of_the_selection_leaves_the_address_of_the_power_up() -> None:
    assert answering(METHODS["shift"], SHUTTLE, Lane(wires=((SELC, None),))) is None
    designs = ["no design", *(design.name for design in SHUTTLE.designs)]
    details = [trial.hypothesis.detail for trial in named(CauseKind.SELECTION, "selc")]
    assert details == [f"{name} answers" for name in designs]


def test_a_stuck_bit_selects_the_design_at_the_other_address() -> None:
    (trial,) = (t for t in TRIALS if t.hypothesis.detail == "bit 0 high")
    assert trial.answering("alu181") == "cmp85"
    assert trial.answering("cmp85") == "cmp85"
    assert trial.answering("morse") == ""


def test_bits_of_earlier_selections_stay_where_too_few_edges_come() -> None:
    shorted = Lane(shorts=(Short(SELD, SELC, Kind.AND),))  # a clock comes with ones only
    assert set((answering(METHODS["shift"], SHUTTLE, shorted) or {}).values()) == {""}

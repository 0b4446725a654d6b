"""The pin check of an intake on virtual boards with faults: it is the continuity test."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import pytest

from harness.intake import IntakePlan, Result, load_plan
from harness.intake.bench import Bench, IntakeMeans
from harness.jobs.run import new_run
from harness.jobs.settle import Evaluator
from harness.records import PinState
from harness.store import Store
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.faults import (
    DeadPad,
    NetStuck,
    NoClock,
    OpenPin,
    ShortedPins,
    StuckPin,
    SwappedPins,
)
from tests.system.direct_rack import direct_opener, direct_rack
from tests.system.virtual import shuttle

PINS = [pin.name for pin in shuttle().pins]


@cache
def plan() -> IntakePlan:
    return load_plan(direct_rack())


def checked(
    folder: Path, faults: Sequence[BoardFault] = (), defects: Sequence[ChipDefect] = ()
) -> tuple[Result, set[str], str, list[str]]:
    """The result of the pin check, the pins it suspects, its text, and what was said."""
    rack, run, said = direct_rack(), new_run(direct_rack()), list[str]()
    jobs = (*plan().tables, *plan().pins)
    settle = Evaluator(rack, jobs).evaluate
    opener = direct_opener({"A1": faults}, {"SP2-0001": defects})
    with Store(folder / "s.sqlite") as store:
        store.start_run(run)
        means = IntakeMeans(rack, plan(), run.run_id, store, opener, {}, said.append, settle)
        done = Bench(rack.slots[0], means).check_pins()
        (kept,) = store.run(run.run_id).continuity
    assert kept.pins == done.pins
    assert [pin.pin for pin in done.pins] == PINS
    suspected = {pin.pin for pin in done.pins if pin.state is PinState.SUSPECTED}
    return done.result, suspected, done.text, said


def test_every_pin_of_a_good_board_is_proven_by_tables(tmp_path: Path) -> None:
    assert checked(tmp_path) == (Result.DONE, set(), "26 of 26 pins reach the chip", [])


@pytest.mark.parametrize(
    ("fault", "pins"),
    [
        (SwappedPins("in2", "in3"), {"in2", "in3"}),
        (SwappedPins("out2", "out3"), {"out2", "out3"}),
        (ShortedPins("in8", "out0"), {"in8", "out0"}),
        (OpenPin("out3", probability=0.01, seed=3), {"out3"}),
        (OpenPin("in3", probability=0.3, per="run", seed=2), {"in3"}),
        (OpenPin("in4"), {"in4"}),
        (OpenPin("out3"), {"out3"}),
        (OpenPin("clk"), {"clk"}),
        (StuckPin("out5", 1), {"out5"}),
        (StuckPin("nreset", 0), {"nreset"}),
        (NoClock(), {"clk"}),
    ],
)
def test_a_fault_of_the_board_is_found_and_its_pins_are_suspected(
    tmp_path: Path, fault: BoardFault, pins: set[str]
) -> None:
    result, suspected, text, said = checked(tmp_path, [fault])
    assert result is Result.FAILED
    assert suspected >= pins, (text, said)
    assert text.startswith(f"suspected: {', '.join(pin for pin in PINS if pin in suspected)}; ")


def test_a_dead_pad_is_suspected_as_a_contact_is(tmp_path: Path) -> None:
    result, suspected, _, _ = checked(tmp_path, defects=[DeadPad("in4")])
    assert (result, "in4" in suspected) == (Result.FAILED, True)


def test_a_fault_in_one_design_is_no_fault_of_a_pin(tmp_path: Path) -> None:
    result, suspected, _, _ = checked(tmp_path, defects=[NetStuck("ctr163", "q[1]", 0)])
    assert (result, suspected) == (Result.DONE, set())

"""Which waiver covers a failure: all of its wrong pins, or nothing."""

from __future__ import annotations

from datetime import date

import pytest

from harness.judge.verdict import covering_waiver
from harness.records import PinCount
from harness.shuttle import Waiver

OUT0 = PinCount("out0", "q[0]", 3)
OUT1 = PinCount("out1", "q[1]", 1)
CARRY = PinCount("out2", "carry", 1)


def waiver(pin: str = "", ticket: str = "T-7") -> Waiver:
    return Waiver("follow", "all", (), "Per Knot", "known", ticket, date(2026, 12, 31), pin)


@pytest.mark.parametrize("pin", ["out0", "q[0]", "q"])
def test_a_waiver_of_a_pin_names_it_by_pin_signal_or_bus(pin: str) -> None:
    assert covering_waiver([waiver(pin)], [OUT0]) == waiver(pin)


@pytest.mark.parametrize("wrong", [(OUT0, OUT1), (OUT1, OUT0)])
def test_a_waiver_of_one_pin_covers_no_failure_with_another_wrong_pin(
    wrong: tuple[PinCount, ...],
) -> None:
    assert covering_waiver([waiver("out0")], wrong) is None


def test_a_waiver_of_a_bus_covers_its_bits_and_no_other_signal() -> None:
    assert covering_waiver([waiver("q")], [OUT0, OUT1]) == waiver("q")
    assert covering_waiver([waiver("q")], [OUT0, OUT1, CARRY]) is None


def test_waivers_of_several_pins_cover_a_failure_together() -> None:
    both = [waiver("out1", "T-1"), waiver("out0", "T-0")]
    assert covering_waiver(both, [OUT0, OUT1]) == both[1], "the first wrong pin's is named"
    assert covering_waiver(both, [OUT0, OUT1, CARRY]) is None


def test_a_waiver_of_a_pin_covers_no_failure_without_known_pins() -> None:
    assert covering_waiver([waiver("out0"), waiver("q")], []) is None


def test_a_waiver_without_a_pin_covers_every_failure() -> None:
    every = [waiver("out0"), waiver(ticket="T-9")]
    assert covering_waiver(every, [CARRY, OUT0]) == every[1]
    assert covering_waiver(every, []) == every[1]


def test_no_waiver_covers_nothing() -> None:
    assert covering_waiver([], [OUT0]) is None
    assert covering_waiver([], []) is None

"""How a design is selected, step by step, by the three methods that profiles know."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.board.select import ParallelSelect, PulseSelect, SelectStep, ShiftSelect
from tests.unit.agent.tern import CLK, INS, NRESET, S0, S1, SHUTTLE


@pytest.mark.parametrize(("address", "level"), [(0, 0), (1, S0), (2, S1), (3, S0 | S1)])
def test_a_parallel_address_stands_on_its_pins_most_significant_first(
    address: int, level: int
) -> None:
    assert ParallelSelect(("s1", "s0")).steps(address, SHUTTLE) == (SelectStep(level, 0),)


def test_the_order_of_the_pins_is_the_profiles() -> None:
    assert ParallelSelect(("s0", "s1")).steps(1, SHUTTLE) == (SelectStep(S1, 0),)


def shifted_in(steps: tuple[SelectStep, ...], bits: int) -> int:
    """The content of a shift register on the chip after the steps."""
    register = 0
    for step in steps:
        if step.pulse & S1:
            register = (register << 1 | bool(step.drive & S0)) & ((1 << bits) - 1)
    return register


@pytest.mark.parametrize("bits", [1, 2, 5, 8])
def test_a_shift_register_ends_up_with_the_address_and_its_wires_at_rest(bits: int) -> None:
    for address in range(1 << bits):
        steps = ShiftSelect("s0", "s1", bits).steps(address, SHUTTLE)
        assert len([step for step in steps if step.pulse]) == bits
        assert shifted_in(steps, bits) == address
        assert steps[-1] == SelectStep(0, 0)


@pytest.mark.parametrize("address", [0, 1, 7])
def test_pulses_clear_the_counter_and_then_count(address: int) -> None:
    steps = PulseSelect("s0", "s1").steps(address, SHUTTLE)
    assert [step.pulse for step in steps] == [S1, *[S0] * address, 0]
    assert all(step.drive == 0 for step in steps)


@pytest.mark.parametrize(("active_low", "level"), [(True, NRESET), (False, 0)])
def test_at_rest_inputs_are_low_and_reset_is_not_asserted(*, active_low: bool, level: int) -> None:
    shuttle = replace(SHUTTLE, reset_active_low=active_low)
    assert shuttle.rest_levels == (level, INS | CLK | NRESET | S0 | S1)

"""The pin check on virtual boards with faults; shorts on a board of wires, which has no model."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from harness.board import Capture, CaptureWindow, RunConditions
from harness.intake import PinState, check_pins, pin_tables
from harness.intake.pulls import check_by_pulls
from harness.shuttle import Design, TableSpec
from harness.table import Pattern
from harness.virtual import BoardFault, ChipDefect, NetStuck, NoClock, OpenPin, OutputStuck
from tests.system.virtual import board, session, shuttle


@cache
def tables() -> tuple[tuple[Design, TableSpec, Pattern], ...]:
    return pin_tables(shuttle())


def found(
    board_faults: tuple[BoardFault, ...] = (), defects: tuple[ChipDefect, ...] = ()
) -> dict[str, PinState]:
    with board(board_faults=board_faults, defects=defects) as url, session(url) as opened:
        return {pin.pin: pin.state for pin in check_pins(opened, shuttle(), tables())}


def faults(states: dict[str, PinState]) -> dict[str, PinState]:
    fine = {PinState.REACHED, PinState.NOT_PROVEN}
    return {pin: state for pin, state in states.items() if state not in fine}


def test_every_pin_of_a_good_board_is_shown_to_reach_the_chip() -> None:
    states = found()
    assert list(states) == [pin.name for pin in shuttle().pins]
    assert set(states.values()) == {PinState.REACHED}


def test_a_badly_seated_chip_shows_as_open_inputs_and_outputs() -> None:
    states = found((OpenPin("in4"), OpenPin("out3"), OpenPin("io2")))
    assert faults(states) == dict.fromkeys(("in4", "out3", "io2"), PinState.OPEN)


def test_a_missing_clock_is_found_at_the_clock_and_nowhere_else() -> None:
    assert faults(found((NoClock(),))) == {"clk": PinState.OPEN}


def test_a_stuck_output_is_found() -> None:
    stuck = found(defects=(OutputStuck("out5", 1),))
    assert faults(stuck) == {"out5": PinState.STUCK}


def test_a_fault_in_one_design_is_no_fault_of_a_pin() -> None:
    states = found(defects=(NetStuck("ctr163", "q[1]", 0),))
    assert faults(states) == {}


def test_without_selection_no_design_answers_and_the_select_pins_are_named() -> None:
    states = found((OpenPin("selc"),))
    assert states["selc"] is PinState.OPEN


class Wires:
    """A board without a chip: some pins are tied to each other or to a supply."""

    def __init__(self, ties: tuple[set[str], ...] = (), held: dict[str, int] | None = None) -> None:
        bits = {pin.name: pin.bit for pin in shuttle().pins}
        self._ties = [{bits[name] for name in tie} for tie in ties]
        self._held = {bits[name]: level for name, level in (held or {}).items()}

    def run(
        self,
        pattern: Pattern,
        conditions: RunConditions,
        *,
        window: tuple[int, int] | None = None,
    ) -> Capture:
        del conditions, window
        words = [self._cycle(pattern, row) for row in range(len(pattern))]
        rows = np.arange(len(pattern), dtype=np.uint32)
        seen, floating = (np.array(part, np.uint32) for part in zip(*words, strict=True))
        got = CaptureWindow(0, rows, rows, seen, floating)
        return Capture(len(rows), 0, (), {}, 0, {}, got, 1000.0, False, 0.0)

    def _cycle(self, pattern: Pattern, row: int) -> tuple[int, int]:
        levels = {
            bit: int(pattern.drive[row]) >> bit & 1
            for bit in range(32)
            if int(pattern.enable[row]) >> bit & 1
        }
        for tie in self._ties:
            driven = [levels[bit] for bit in tie if bit in levels]
            levels |= dict.fromkeys(tie, driven[0]) if driven else {}
        levels |= self._held
        seen = sum(level << bit for bit, level in levels.items())
        return seen, int(pattern.highz[row]) & ~sum(1 << bit for bit in levels)


@pytest.mark.parametrize(
    ("ties", "held", "told"),
    [
        ((), {}, {}),
        (({"in2", "in3"},), {}, dict.fromkeys(("in2", "in3"), PinState.SHORTED)),
        (({"in8", "selc"},), {}, dict.fromkeys(("in8", "selc"), PinState.SHORTED)),
        ((), {"in0": 1}, {"in0": PinState.STUCK}),
        ((), {"nreset": 0}, {"nreset": PinState.STUCK}),
    ],
)
def test_weak_pulls_find_inputs_tied_together_or_to_a_supply(
    ties: tuple[set[str], ...], held: dict[str, int], told: dict[str, PinState]
) -> None:
    pins = check_by_pulls(Wires(ties, held), shuttle())
    assert {name: pin.state for name, pin in pins.items()} == told

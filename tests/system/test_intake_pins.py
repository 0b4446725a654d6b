"""The pin check on virtual boards with faults; shorts on a board of wires, which has no model."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from harness.board import Capture, CaptureWindow, RunConditions
from harness.intake import PinState
from harness.intake.order import pin_tables
from harness.intake.pins import check_pins
from harness.intake.pulls import check_by_pulls
from harness.intake.steps import PinResult
from harness.rack.modelled import ModelledSession
from harness.shuttle import Design, TableSpec
from harness.table import Pattern, load_table
from harness.virtual import BoardFault, ChipDefect
from harness.virtual.faults import NetStuck, NoClock, OpenPin, OutputStuck
from tests.system.virtual import board, session, shuttle

Chosen = tuple[Design, TableSpec, Pattern]


@cache
def tables() -> tuple[Chosen, ...]:
    return tuple(job[:3] for job in pin_tables(shuttle()))


@cache
def with_no_reset() -> tuple[Chosen, ...]:
    """The tables of the demo shuttle, and one of a design that has a clock and no reset."""
    design = shuttle().designs_by_name["ram16x4"]
    (spec,) = (spec for spec in design.tables if spec.name == "march")
    return (*tables(), (design, spec, load_table(spec, design, shuttle())))


def found(
    board_faults: tuple[BoardFault, ...] = (), defects: tuple[ChipDefect, ...] = ()
) -> dict[str, PinState]:
    with board(board_faults=board_faults, defects=defects) as url, session(url) as opened:
        return states(check_pins(opened, shuttle(), tables()))


def states(found: Iterable[PinResult]) -> dict[str, PinState]:
    return {pin.pin: pin.state for pin in found}


def faults(found: dict[str, PinState]) -> dict[str, PinState]:
    fine = {PinState.REACHED, PinState.NOT_PROVEN}
    return {pin: state for pin, state in found.items() if state not in fine}


def test_every_pin_of_a_good_board_is_shown_to_reach_the_chip() -> None:
    seen = found()
    assert list(seen) == [pin.name for pin in shuttle().pins]
    assert set(seen.values()) == {PinState.REACHED}


def test_a_badly_seated_chip_shows_as_open_inputs_and_outputs() -> None:
    seen = found((OpenPin("in4"), OpenPin("out3"), OpenPin("io2")))
    assert faults(seen) == dict.fromkeys(("in4", "out3", "io2"), PinState.OPEN)


@pytest.mark.parametrize("fault", [NoClock(), OpenPin("nreset")])
def test_designs_that_need_clock_and_reset_cannot_tell_which_of_them_is_missing(
    fault: BoardFault,
) -> None:
    with board(board_faults=(fault,)) as url, session(url) as opened:
        pins = {pin.pin: pin for pin in check_pins(opened, shuttle(), tables())}
    assert dict.fromkeys(("clk", "nreset"), PinState.OPEN) == faults(states(pins.values()))
    told = (
        "no output of ctr163/sequence, lfsr/period, uart/directed ever moves, and they need both: "
        "clk or nreset does not arrive"
    )
    assert {pins["clk"].text, pins["nreset"].text} == {told}


@pytest.mark.parametrize("fault", [OpenPin("clk")])
def test_a_design_without_reset_that_stands_still_shows_that_the_clock_is_missing(
    fault: BoardFault,
) -> None:
    """Nothing that a table asks of this counter needs its reset, as far as anybody says here."""
    ((design, spec, pattern),) = (chosen for chosen in tables() if chosen[0].name == "ctr163")
    signals = tuple(bus for bus in design.signals if bus.name != "clr_n")
    free = (replace(design, signals=signals), spec, pattern)
    with board(board_faults=(fault,)) as url, session(url) as opened:
        found = check_pins(opened, shuttle(), (*tables(), free))
    pins = {pin.pin: pin for pin in found}
    assert faults(states(found)) == {"clk": PinState.OPEN}
    assert pins["nreset"].state is PinState.NOT_PROVEN
    assert pins["clk"].text == "no output of ctr163/sequence ever moves, and they need no reset"


def test_a_design_without_reset_that_is_only_wrong_tells_nothing() -> None:
    """A memory shows what it held when power came on, with a clock or without."""
    with board(board_faults=(NoClock(),)) as url, session(url) as opened:
        found = check_pins(opened, shuttle(), with_no_reset())
    assert faults(states(found)) == {"clk": PinState.OPEN, "nreset": PinState.OPEN}
    assert len({pin.text for pin in found if pin.state is PinState.OPEN}) == 1


def test_a_design_without_reset_that_works_shows_that_the_reset_is_missing() -> None:
    with board(board_faults=(OpenPin("nreset"),)) as url, session(url) as opened:
        pins = {pin.pin: pin for pin in check_pins(opened, shuttle(), with_no_reset())}
    assert faults(states(pins.values())) == {"nreset": PinState.OPEN}
    assert pins["clk"].text == "proven by correct outputs of ram16x4/march"
    assert pins["nreset"].text == (
        "no output of ctr163/sequence, lfsr/period, uart/directed ever moves, though ram16x4/march "
        "shows that clk arrives"
    )


def test_a_design_that_works_without_reset_proves_nothing_of_the_reset() -> None:
    only = with_no_reset()[-1:]
    with board(board_faults=(OpenPin("nreset"),)) as url, session(url) as opened:
        pins = {pin.pin: pin for pin in check_pins(opened, shuttle(), only)}
    assert (pins["clk"].state, pins["nreset"].state) == (PinState.REACHED, PinState.NOT_PROVEN)


def test_a_table_whose_design_has_no_model_shows_nothing_of_any_pin() -> None:
    (design, spec, pattern), *others = tables()
    bare = (replace(design, netlist=None), spec, pattern)
    with board() as url, session(url) as opened:
        modelled = ModelledSession(opened)
        assert states(check_pins(modelled, shuttle(), (bare, *others)))["clk"] is PinState.REACHED
        nothing = states(check_pins(modelled, shuttle(), (bare,)))
    assert set(nothing.values()) == {PinState.NOT_PROVEN}


def test_a_stuck_output_is_found() -> None:
    stuck = found(defects=(OutputStuck("out5", 1),))
    assert faults(stuck) == {"out5": PinState.STUCK}


def test_a_fault_in_one_design_is_no_fault_of_a_pin() -> None:
    seen = found(defects=(NetStuck("ctr163", "q[1]", 0),))
    assert faults(seen) == {}


def test_without_selection_no_design_answers_and_the_select_pins_are_named() -> None:
    seen = found((OpenPin("selc"),))
    assert seen["selc"] is PinState.OPEN


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
        got = CaptureWindow(rows, rows, seen, floating)
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

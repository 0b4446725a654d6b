"""A board that starts a design by itself: stored commands, then a clock that goes on."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest

from harness.agent import started
from harness.agent.codec import Block
from harness.agent.engine import Engine
from harness.agent.faces import Words
from harness.agent.pins_rp2 import Pins
from harness.agent.rp2_plan import MAX_COUNT
from harness.board import RunConditions
from harness.board import session as board_session
from harness.board.startup import DATA, Startup
from harness.table import Pattern
from tests.unit.agent.emulated import EmulatedBus, TernDevice
from tests.unit.agent.tern import CLK, SHUTTLE, TernChip, TernPins
from tests.unit.board.joined_session import join
from tests.unit.board.test_exact_session import WIRES
from tests.unit.board.test_exact_session import join as join_exact

HELD = Pattern.of(
    drive=np.array([5], np.uint32),
    enable=np.array([0xFF], np.uint32),
    pulse=np.array([CLK], np.uint32),
)
"""Adds 5 with every clock."""
KEY = "0123456789ab"


class Interrupted(TernPins):
    """Pins whose board gets a Ctrl-C after so many cycles."""

    def __init__(self, chip: TernChip, cycles: int) -> None:
        super().__init__(chip)
        self.left = cycles

    def run(self, block: Block, count: int, seen: Words, floating: Words) -> None:
        if self.left <= 0:
            raise KeyboardInterrupt
        self.left -= count
        super().run(block, count, seen, floating)


@pytest.fixture(autouse=True)
def ctrl_c(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Whether Ctrl-C was made an ordinary byte, each time."""
    made: list[bool] = []
    monkeypatch.setattr(started, "quiet", made.append)
    return made


def startup(reset_cycles: int = 3) -> Startup:
    """A handover of design 1."""
    session = join(TernPins(TernChip()))[0]
    conditions = RunConditions(1e6, reset_cycles=reset_cycles)
    return session.startup(SHUTTLE.designs[1], HELD, conditions, KEY)


def stored(what: Startup) -> dict[str, object]:
    found = json.loads(what.files[DATA])
    assert isinstance(found, dict)
    return found


def test_the_design_is_selected_reset_and_clocked_until_ctrl_c(
    ctrl_c: list[bool], capsys: pytest.CaptureFixture[str]
) -> None:
    chip = TernChip()
    pins = Interrupted(chip, 400)
    started.run_stored(pins, stored(startup()))
    assert capsys.readouterr().out == "The design is running.\n"
    assert chip.addresses == {1}
    assert chip.resets == 3
    cycles = 400 - pins.left - 1 - 3  # one selected, three reset
    assert chip.total == 5 * cycles & 0xFF
    assert pins.released == 1
    assert ctrl_c == [True, False], "a second Ctrl-C does not stop the pins from being released"


def test_a_start_that_fails_leaves_no_pin_driven_and_says_why(ctrl_c: list[bool]) -> None:
    pins = Interrupted(TernChip(), 400)
    broken = stored(startup()) | {"commands": [[99, ""]]}
    with pytest.raises(Exception, match="unknown command 99"):
        started.run_stored(pins, broken)
    assert pins.released == 1
    assert ctrl_c == [True, False]


class TwoBursts(Pins):
    """Pins of an emulated RP2040 whose board gets a Ctrl-C after two bursts."""

    bursts_left = 2

    def clock_on(self, engine: Engine) -> None:
        if not self.bursts_left:
            raise KeyboardInterrupt
        self.bursts_left -= 1
        super().clock_on(engine)


def test_hardware_keeps_the_clock_exact_within_a_burst(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_session, "ENDLESS", 500)
    session = join_exact()[0]
    what = stored(
        session.startup(SHUTTLE.designs[1], HELD, RunConditions(5e6, reset_cycles=3), KEY)
    )
    numbers = [WIRES[pin.name] for pin in SHUTTLE.pins]
    device = TernDevice(chip := TernChip())
    bus = EmulatedBus(device, numbers)
    before = bus.registers()
    started.run_stored(TwoBursts(bus, 256, 256), what)
    assert device.clocks == 3 + 2 * 500
    assert chip.resets == 3
    assert chip.total == 5 * 1000 & 0xFF
    clocks = [(now, bool(levels & CLK)) for now, levels in bus.edges]
    rises = [now for (_, low), (now, high) in pairwise(clocks) if high > low]
    steps = [after - before for before, after in pairwise(rises[3:])]
    assert set(steps[:499]) == set(steps[500:]) == {25}, "ticks of 8 ns: 5 MHz"
    assert bus.registers() == before, "Ctrl-C leaves the controller as it was"


@pytest.mark.parametrize("pulse", [0, CLK])
def test_the_longest_burst_fits_into_the_counters_of_the_hardware(pulse: int) -> None:
    pins = Pins(EmulatedBus(TernDevice(TernChip()), range(20)))
    pins.bind(range(20))
    block = Block(1)
    block.pulse[0] = pulse
    block.repeat[0] = board_session.ENDLESS
    laid = pins.plan.lay_out(block, (0, 0), pins.outward, (1, 2 if pulse else 1, 0, 0))
    assert laid == (1, 0)
    assert pins.plan.cycles == board_session.ENDLESS
    assert max([*pins.plan.sending[2::4], *pins.plan.getting[2::4]]) <= MAX_COUNT

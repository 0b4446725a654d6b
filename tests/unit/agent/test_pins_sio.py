"""Pins moved by registers, on an emulated RP2040 with a chip on the wires, by its own timer.

What the emulator does not have (input synchroniser, delay of the chip) is in ``emulated``.
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.agent import protocol, rp2040
from harness.agent.buffers import words
from harness.agent.codec import Block
from harness.agent.engine import Engine, Refused
from harness.agent.pins_sio import Pins
from tests.unit.agent.emulated import TIMER, Device, Inverter, SioBus, TernDevice
from tests.unit.agent.emulated_rp2350 import WRONG_ONES, refusal, turn_to_rp2350
from tests.unit.agent.tern import CLK, INS, IO, NRESET, OUTS, TernChip
from tests.unit.board.bodies import encode_planes

MISMATCH = struct.Struct("<IHIIII")
SCATTERED = [(7 * k + 3) % 30 for k in range(21)]
"""Controller pins in an order that no shift makes."""
TICKS_A_US = 125


@pytest.fixture(autouse=True, params=["RP2040", pytest.param("RP2350", marks=pytest.mark.nightly)])
def controller(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every test runs with each controller's table and registers, the RP2350's by night."""
    if request.param == "RP2350":
        turn_to_rp2350(monkeypatch, sys.modules[__name__], "pins_sio")
    return str(request.param)


class Bench:
    """Bound pins of an emulated controller, with a chip that answers after ``delay`` ticks."""

    def __init__(self, device: Device, delay: int = 20) -> None:
        self.bus = SioBus(device, SCATTERED, delay)
        self.pins = Pins(self.bus)
        self.pins.bind(SCATTERED)
        self.pins.timing(5_000, 0, 0)

    def run(self, *rows: dict[str, int]) -> list[tuple[int, int]]:
        """Run vectors; return (seen, floating) of each."""
        block = Block(len(rows))
        for at, row in enumerate(rows):
            for name, value in row.items():
                getattr(block, name)[at] = value
        seen, floating = words(len(rows)), words(len(rows))
        self.bus.edges.clear()
        self.pins.run(block, len(rows), seen, floating)
        return list(zip(seen, floating, strict=True))

    def edges(self) -> list[tuple[float, int]]:
        """When levels or directions changed, in us, and the levels."""
        return [(now / TICKS_A_US, levels) for now, levels in self.bus.edges]


def test_every_planted_wrong_bit_is_found_at_its_cycle_and_pin_and_no_other() -> None:
    random = np.random.default_rng(17)
    bench = Bench(Inverter())
    engine = Engine(bench.pins, 512)
    data: NDArray[np.uint32] = random.integers(0, 256, 512, dtype=np.uint32)
    zero = np.zeros_like(data)
    planted = sorted(int(row) for row in random.choice(512, 40, replace=False))
    wrong = zero.copy()
    wrong[planted] = 0x100 << random.integers(0, 8, 40, dtype=np.uint32)
    expect = ((~data & 0xFF) << np.uint32(8)) ^ wrong
    columns = (data, zero + 0xFF, zero, expect, zero + 0xFF00, zero, zero + 1)
    engine.command(protocol.LOAD, encode_planes(tuple(c.astype(np.uint32) for c in columns)))
    answer = engine.command(protocol.BLOCK, struct.pack("<BH", 0, 512))
    found = [MISMATCH.unpack_from(answer, 3 + MISMATCH.size * k) for k in range(answer[0])]
    assert [(entry[0], entry[5]) for entry in found] == [(k, int(wrong[k])) for k in planted]


def test_a_whole_bus_moves_in_one_write() -> None:
    bench = Bench(Inverter())
    bench.run({"enable": 0xFF})
    data = [0xFF, 0x00, 0xA5, 0x5A]
    seen = bench.run(*[{"drive": word, "enable": 0xFF} for word in data])
    assert [levels for _now, levels in bench.edges()] == data
    assert [word >> 8 & 0xFF for word, _ in seen] == [word ^ 0xFF for word in data]


def test_a_pulse_comes_after_the_inputs_and_before_the_outputs_are_read() -> None:
    chip = TernDevice(TernChip(total=0))
    bench = Bench(chip)
    rows = [{"drive": d | NRESET, "enable": INS | CLK | NRESET, "pulse": CLK} for d in (5, 0, 250)]
    assert [word >> 8 & 0xFF for word, _ in bench.run(*rows)] == [5, 5, 255]
    assert chip.clocks == 3


@pytest.mark.parametrize("rest", [0, 1])
def test_a_pulse_goes_to_the_other_level_and_back_half_a_cycle_later(rest: int) -> None:
    bench = Bench(Inverter())
    bench.pins.timing(40_000, 0, 0)
    row = {"drive": rest, "enable": 1}
    bench.run(row)
    bench.run(row | {"pulse": 1})
    (there, one), (back, other) = bench.edges()
    assert (one, other) == (1 - rest, rest)
    assert 19 <= back - there < 22


def test_a_pin_is_released_before_levels_move_and_becomes_an_output_after(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(Inverter())
    bench.run({"drive": 0b011, "enable": 0b011})
    writes: list[tuple[int, int]] = []
    write = bench.bus.write

    def noted(address: int, value: int) -> None:
        writes.append((address, value))
        write(address, value)

    monkeypatch.setattr(bench.bus, "write", noted)
    bench.run({"drive": 0b100, "enable": 0b110})
    pin = [1 << number for number in SCATTERED]
    turned = [(address, value) for address, value in writes if address == rp2040.OE_CLEAR]
    assert [value & (pin[0] | pin[1] | pin[2]) for _, value in turned] == [pin[0]]
    assert writes[0][0] == rp2040.OE_CLEAR
    assert writes[1:] == [
        (rp2040.OUT_INVERT, pin[0] | pin[1] | pin[2]),
        (rp2040.OE_SET, pin[1] | pin[2]),
    ]


@pytest.mark.parametrize("settle_ns", [0, 3_000])
def test_no_cycle_is_shorter_than_requested_and_outputs_settle(settle_ns: int) -> None:
    bench = Bench(Inverter())
    bench.pins.timing(12_000, settle_ns, 0)
    bench.run({"enable": 1})
    bench.run(*[{"drive": ~k & 1, "enable": 1} for k in range(60)])
    begun = [now for now, _ in bench.edges()]
    cycles = [after - before for before, after in pairwise(begun)]
    assert min(cycles) >= 11.8, "an edge comes as early or late in its cycle as the last one did"
    assert (begun[-1] - begun[0]) / len(cycles) >= 12
    assert max(cycles) < 14


def test_a_slow_chip_is_read_after_the_settle_time() -> None:
    bench = Bench(Inverter(), delay=3 * TICKS_A_US)
    rows = [{"drive": word, "enable": 0xFF} for word in (0xFF, 0, 0xFF)]
    bench.pins.timing(1_000, 3_000, 0)
    assert [word >> 8 & 0xFF for word, _ in bench.run(*rows)] == [0, 0xFF, 0]
    bench.pins.timing(1_000, 0, 0)
    assert [word >> 8 & 0xFF for word, _ in bench.run(*rows)] != [0, 0xFF, 0]


def test_times_are_rounded_up_to_whole_microseconds() -> None:
    assert Bench(Inverter()).pins.timing(1_001, 1, 0) == (2_000, 1)


@pytest.mark.parametrize(("total", "floats"), [(0x10, 0), (0x91, IO)])
def test_only_a_pin_that_follows_both_pulls_floats(total: int, floats: int) -> None:
    bench = Bench(TernDevice(TernChip(total=total)))
    quiet = {"drive": NRESET, "enable": INS | NRESET}
    found = bench.run(quiet, quiet | {"highz": IO}, quiet)
    assert [floating for _, floating in found] == [0, IO & ~floats, 0]


def test_until_ends_at_the_match_or_at_the_limit() -> None:
    chip = TernDevice(TernChip(total=0))
    bench = Bench(chip)
    vector = [1 | NRESET, INS | CLK | NRESET, CLK, 9 << 8, OUTS]
    used, word, matched = bench.pins.until(vector, 4)
    assert (used, word & OUTS, matched) == (4, 4 << 8, False)
    used, word, matched = bench.pins.until(vector, 40)
    assert (used, word & OUTS, matched, chip.clocks) == (5, 9 << 8, True, 9)


def test_the_time_that_cycles_took_is_measured_and_returned_once() -> None:
    bench = Bench(Inverter())
    bench.pins.timing(50_000, 0, 0)
    bench.run(*[{}] * 10)
    bench.bus.pause(7_000)
    bench.run({})
    assert 550 <= bench.pins.took() < 600, "eleven cycles of 50 us, and not the idle time between"
    assert bench.pins.took() == 0


def silences(bench: Bench, work: Callable[[], object]) -> list[float]:
    """Microseconds between two looks at the host; each look takes 8 ms, as reading bytes does."""
    begin, found = [bench.bus.now], []

    def look() -> None:
        found.append((bench.bus.now - begin[0]) / TICKS_A_US)
        bench.bus.pause(8_000)
        begin[0] = bench.bus.now

    bench.pins.idle = look
    work()
    return [*found, (bench.bus.now - begin[0]) / TICKS_A_US]


@pytest.fixture
def quick_timer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Software looks at the timer once a millisecond: seconds pass at once."""
    monkeypatch.setattr(SioBus, "ACCESS", 1_000)
    plain = SioBus.pass_access

    def pass_access(bus: SioBus, address: int) -> None:
        if address == TIMER:
            bus.advance(125_000)
        plain(bus, address)

    monkeypatch.setattr(SioBus, "pass_access", pass_access)


@pytest.mark.parametrize(("period_ns", "rows"), [(5_000_000, 60), (400_000_000, 3)])
@pytest.mark.usefixtures("quick_timer")
def test_the_host_hears_of_slow_cycles_every_50_ms(period_ns: int, rows: int) -> None:
    bench = Bench(Inverter())
    bench.pins.timing(period_ns, 0, 0)
    never = [0, 0xFF, 0, 0, 0xFF00]
    for work in (lambda: bench.run(*[{}] * rows), lambda: bench.pins.until(never, rows)):
        found = silences(bench, work)
        assert len(found) > 5
        assert max(found[:-1]) <= 51_000


@pytest.mark.usefixtures("quick_timer")
def test_the_host_can_end_slow_cycles() -> None:
    class Enough(Exception):
        pass

    def stop() -> None:
        raise Enough

    bench = Bench(Inverter())
    bench.pins.timing(2_000_000_000, 0, 0)
    bench.pins.idle = stop
    with pytest.raises(Enough):
        bench.run({})


@pytest.mark.usefixtures("quick_timer")
def test_after_an_end_in_the_middle_of_a_pulse_levels_are_as_vectors_say() -> None:
    class Enough(Exception):
        pass

    def stop() -> None:
        if bench.bus.edges[-1][1] == 1:
            raise Enough

    bench = Bench(Inverter())
    bench.pins.timing(200_000_000, 0, 0)
    bench.run({"enable": 1})
    bench.pins.idle = stop
    with pytest.raises(Enough):
        bench.run({"enable": 1, "pulse": 1})
    bench.pins.timing(1_000, 0, 0)
    seen = bench.run({"enable": 1}, {"drive": 1, "enable": 1})
    assert [word >> 8 & 1 for word, _ in seen] == [1, 0]


def test_a_board_that_is_quick_enough_does_not_look_up() -> None:
    bench = Bench(Inverter())
    assert len(silences(bench, lambda: bench.run(*[{}] * 200))) == 1


def test_release_makes_inputs_of_all_pins_and_restores_pads_and_functions() -> None:
    bus = SioBus(Inverter(), SCATTERED)
    for number in range(30):
        bus.write(rp2040.PADS + 4 * number, 0x5A)
        bus.write(rp2040.IO_CTRL + 8 * number, 3 if number % 2 else 5)
    other = 1 << min(set(range(30)) - set(SCATTERED))
    bus.write(rp2040.OE_SET, other)  # a pin that is not bound is another program's
    before = bus.registers()
    pins = Pins(bus)
    pins.bind(SCATTERED)
    assert bus.registers() != before
    pins.run(block(0xFFFF, 0xFFFF), 1, words(1), words(1))
    assert bus.outputs()[1] & ~other
    pins.release()
    assert (bus.registers(), bus.outputs()[1]) == (before, other)


def block(drive: int, enable: int) -> Block:
    """A block of one row."""
    one = Block(1)
    one.drive[0], one.enable[0] = drive, enable
    return one


def test_another_controller_is_refused_and_no_register_of_it_is_written(
    controller: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    identity, what = WRONG_ONES[controller][0]
    bus = SioBus(Inverter(), SCATTERED)
    written: list[Any] = []
    monkeypatch.setattr(bus, "chip_id", lambda: identity)
    monkeypatch.setattr(bus, "write", lambda address, _value: written.append(address))
    pins = Pins(bus)
    with pytest.raises(Refused) as caught:
        pins.bind(SCATTERED)
    assert str(caught.value) == refusal(controller, identity, what, "sio")
    pins.release()
    assert written == []

"""Exact bursts on emulated controllers: real registers, real PIO and DMA, a chip on the wires.

What the emulator does not have (input synchroniser, delay of the chip) is in ``emulated``.
"""

from __future__ import annotations

import struct
import sys
import zlib
from collections.abc import Sequence
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from harness.agent import protocol, rp2_chip, rp2040
from harness.agent.codec import Block
from harness.agent.engine import Aborted, Engine, Refused
from harness.agent.pins_rp2 import Pins
from harness.agent.rp2_start import Writes
from tests.examples import few
from tests.unit.agent.emulated import Device, EmulatedBus, Inverter, TernDevice
from tests.unit.agent.emulated_rp2350 import WRONG_ONES, refusal, turn_to_rp2350
from tests.unit.agent.tern import CLK, INS, IO, NRESET, OUTS, PINS, TernChip
from tests.unit.board.bodies import encode_planes

Column = NDArray[np.integer[Any]]
MISMATCH = struct.Struct("<IHIIII")
WHOLE_WORDS = bytes([2]) + bytes(28)
"""The body of a block of one row, all zero."""


@pytest.fixture(autouse=True, params=["RP2040", pytest.param("RP2350", marks=pytest.mark.nightly)])
def controller(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every test runs with each controller's table and registers, the RP2350's by night."""
    if request.param == "RP2350":
        turn_to_rp2350(monkeypatch, sys.modules[__name__], "pins_rp2")
    return str(request.param)


class Bench:
    """An engine on an emulated controller, with a chip that answers after ``delay`` ticks."""

    def __init__(
        self,
        device: Device,
        numbers: Sequence[int],
        *,
        delay: int = 1,
        rows: int = 512,
        words: int = 2048,
    ) -> None:
        self.bus = EmulatedBus(device, numbers, delay)
        self.pins = Pins(self.bus, words, words)
        self.pins.bind(numbers)
        self.engine = Engine(self.pins, rows)
        self.start()

    def start(self, first: int = 0, stop: int = 0, manner: int = 0) -> None:
        self.engine.command(protocol.START, struct.pack("<IIB", first, stop, manner))
        self.bus.edges.clear()

    def lows(self, driven: int) -> None:
        """Turn pins into outputs at 0, so that the first vector of a burst shows on the wires."""
        self.pins.aim(driven, 0)
        self.pins.levels = 0
        self.bus.advance(8)
        self.bus.edges.clear()

    def timing(self, ticks: int, settle: int = 0, sample: int = 0) -> int:
        """Set times in ticks; return the length of a cycle in ticks."""
        payload = struct.pack("<III", 8 * ticks, 8 * settle, 8 * sample)
        achieved, parts = struct.unpack("<II", self.engine.command(protocol.TIMING, payload))
        assert (achieved % 8, parts) == (0, 1)
        return int(achieved // 8)

    def block(self, *columns: Column) -> list[tuple[int, ...]]:
        """Run a block (drive, enable, pulse, expect, care, highz, repeat); return mismatches."""
        words = tuple(column.astype(np.uint32) for column in columns)
        self.engine.command(protocol.LOAD, encode_planes(words))
        head = struct.pack("<BH", 0, len(columns[0]))
        answer = self.engine.command(protocol.BLOCK, head)
        return [MISMATCH.unpack_from(answer, 3 + MISMATCH.size * k) for k in range(answer[0])]

    def invert(self, data: Column, *, wrong: Column | None = None) -> list[tuple[int, ...]]:
        """Drive the inverter with ``data``; expect its answer, but with bits ``wrong`` flipped."""
        zero = np.zeros_like(data)
        expect = (~data & 0xFF) << np.uint32(8)
        if wrong is not None:
            expect = expect ^ wrong
        columns = (data, zero + 0xFF, zero, expect, zero + 0xFF00, zero, zero + 1)
        return self.block(*columns)

    def totals(self) -> tuple[int, int, int, int]:
        """Cycles, mismatches, signature, pauses."""
        counts = struct.unpack_from("<IIII", self.engine.command(protocol.TOTALS, b""))
        return counts[0], counts[1], counts[2], counts[3]

    def spans(self) -> list[int]:
        """Ticks from each change of the pins to the next."""
        moments = [now for now, _levels in self.bus.edges]
        return [after - before for before, after in pairwise(moments)]


def counting(count: int) -> Column:
    """Data that changes in every vector."""
    return np.arange(1, count + 1, dtype=np.uint32) % 251


@pytest.mark.parametrize("bursts", [2, pytest.param(8, marks=pytest.mark.nightly)])
def test_vectors_at_full_speed_take_four_ticks_each_and_match(bursts: int) -> None:
    """By night 65,536 vectors."""
    bench = Bench(Inverter(), range(16), rows=8192, words=8192)
    assert bench.timing(4) == 4
    data = np.arange(1, 8193, dtype=np.uint32) & 1
    bench.lows(0xFF)
    for _ in range(bursts):
        assert bench.invert(data) == []
    assert bench.totals()[:2] == (bursts * 8192, 0)
    assert bench.totals()[3] == bursts - 1, "bursts are chained, with a pause between each two"
    spans = bench.spans()
    assert len(spans) == bursts * 8192 - 1
    assert spans.count(4) == bursts * 8191, "in a burst every cycle is exactly four ticks"


def test_every_injected_wrong_bit_is_found_at_its_cycle_and_pin() -> None:
    bench = Bench(Inverter(), range(16))
    random = np.random.default_rng(4)
    data = random.integers(0, 256, 512, dtype=np.uint32)
    wrong = np.zeros(512, dtype=np.uint32)
    wrong[random.choice(512, 40, replace=False)] = 1 << random.integers(8, 16, 40)
    bench.timing(4)
    found = bench.invert(data, wrong=wrong)
    assert [(entry[0], entry[5]) for entry in found] == [
        (int(cycle), int(wrong[cycle])) for cycle in np.flatnonzero(wrong)
    ]
    assert bench.totals()[:2] == (512, 40)


@pytest.mark.parametrize("delay", [1, 2, 5, 9, 70])
def test_the_fastest_rate_that_passes_is_the_computed_one(delay: int) -> None:
    data = counting(64)
    for ticks, passes in ((delay + 3, True), (delay + 2, False)):
        if ticks < 4:
            continue
        bench = Bench(Inverter(), range(16), delay=delay)
        bench.lows(0xFF)
        assert bench.timing(ticks) == ticks
        assert (bench.invert(data) == []) is passes
        assert set(bench.spans()) == {ticks}


def test_a_chip_that_is_too_slow_by_one_tick_shows_the_answer_of_the_vector_before() -> None:
    bench = Bench(Inverter(), range(16), delay=4)
    bench.lows(0xFF)
    bench.timing(6)
    data = np.array([3, 3, 3, 5, 5, 7, 7, 7], dtype=np.uint32)
    found = bench.invert(data)
    assert [entry[0] for entry in found] == [0, 3, 5]
    assert [entry[3] >> 8 for entry in found[1:]] == [~3 & 0xFF, ~5 & 0xFF]


@pytest.mark.parametrize(("sample", "passes"), [(5, True), (4, False), (12, True), (0, True)])
def test_the_sample_point_decides_whether_a_slow_chip_passes(sample: int, *, passes: bool) -> None:
    bench = Bench(Inverter(), range(16), delay=5)
    assert bench.timing(20, sample=sample) == 20
    assert (bench.invert(counting(64)) == []) is passes


LENGTHS = (4, 5, 11, 63, 66, 67, 95, 96, 97, 98, 99, 128, 129, 1000, 1058, 1059, 2500)


@pytest.mark.parametrize(
    ("ticks", "sample"),
    [
        # By day every length with one of the sample points, in turn.
        pytest.param(ticks, sample, marks=() if (k + n) % 3 == 0 else pytest.mark.nightly)
        for k, ticks in enumerate(LENGTHS)
        for n, sample in enumerate((0, 1, 40))
    ],
)
def test_every_length_of_a_cycle_is_reached_to_the_tick(ticks: int, sample: int) -> None:
    bench = Bench(Inverter(), range(16))
    bench.lows(0xFF)
    assert bench.timing(ticks, sample=sample) == ticks
    assert bench.invert(counting(4)) == []
    assert bench.spans() == [ticks] * 3


def test_settling_lengthens_a_cycle_that_is_too_short_for_it() -> None:
    bench = Bench(Inverter(), range(16), delay=20)
    assert bench.timing(4, settle=20) == 23
    assert bench.invert(counting(64)) == []
    assert bench.timing(100, settle=20) == 100


def accumulate(bench: Bench, data: Column, total: int) -> list[tuple[int, ...]]:
    """Clock the accumulator with each number; expect its running total."""
    zero = np.zeros_like(data)
    sums = (np.cumsum(data, dtype=np.uint32) + np.uint32(total)) & 0xFF
    drive = data | np.uint32(NRESET)
    enable = zero + np.uint32(INS | CLK | NRESET)
    return bench.block(drive, enable, zero + CLK, sums << 8, zero + OUTS, zero, zero + 1)


TERN_PINS = [3, 27, 4, 5, 9, 8, 7, 6, 10, 29, 12, 28, 14, 15, 16, 2, 18, 19, 20, 0, 1]
"""The wiring of the accumulator's pins, in no particular order."""


@pytest.mark.parametrize("ticks", [6, 7, 9, 30, 99, 160, 161, 162, 163, 400, 3300])
@pytest.mark.parametrize("sample", [0, 2, 20])
def test_a_pulse_comes_after_the_levels_and_before_the_answer_is_read(
    ticks: int, sample: int
) -> None:
    bench = Bench(TernDevice(TernChip(total=0)), TERN_PINS)
    bench.lows(INS | CLK | NRESET)
    assert bench.timing(ticks, sample=sample) == ticks
    data = np.array([1, 2, 4, 8, 16], dtype=np.uint32)
    assert accumulate(bench, data, 0) == []
    assert [levels & CLK for _now, levels in bench.bus.edges] == [0, CLK, 0] * 5
    spans = bench.spans()
    parts = [tuple(spans[3 * k : 3 * k + 3]) for k in range(4)]
    assert {sum(part) for part in parts} == {ticks}
    lead, high, rest = parts[0]
    assert parts == [parts[0]] * 4
    assert min(lead, high) >= 1
    assert rest >= 4
    if ticks >= 12 and not sample:
        assert max(parts[0]) - min(parts[0]) <= 5


def test_pulses_and_steady_vectors_of_one_run_take_the_same_time() -> None:
    bench = Bench(TernDevice(TernChip(total=0)), TERN_PINS)
    bench.timing(8)
    bench.lows(INS | CLK | NRESET)
    bench.start(manner=protocol.PULSES)
    data = np.array([1, 2, 4, 8], dtype=np.uint32)
    zero = np.zeros_like(data)
    found = bench.block(
        data | NRESET, zero + (INS | CLK | NRESET), zero, zero, zero, zero, zero + 1
    )
    assert found == []
    assert bench.spans() == [8, 8, 8]


def test_a_pin_that_changes_direction_pauses_the_clock_once() -> None:
    bench = Bench(TernDevice(TernChip(total=0x81)), TERN_PINS)
    bench.timing(10)
    driven = INS | NRESET
    enable = np.array([driven | IO, driven | IO, driven, driven], dtype=np.uint32)
    drive = np.array([IO, 0, 0, 0], dtype=np.uint32) | np.uint32(NRESET)
    zero = np.zeros_like(drive)
    expect = np.array([IO, 0, IO, IO], dtype=np.uint32)
    assert bench.block(drive, enable, zero, expect, zero + IO, zero, zero + 1) == []
    assert bench.totals()[3] == 1


def test_a_floating_pin_is_found_by_weak_pulls_in_a_pause_and_a_driven_one_is_not() -> None:
    for total, wrong in ((0x10, []), (0x91, [IO])):
        bench = Bench(TernDevice(TernChip(total=total)), TERN_PINS)
        bench.timing(10)
        zero = np.zeros(4, dtype=np.uint32)
        highz = np.array([0, IO, 0, 0], dtype=np.uint32)
        enable = zero + (INS | NRESET)
        found = bench.block(zero + NRESET, enable, zero, zero, zero, highz, zero + 1)
        assert [entry[5] for entry in found] == wrong
        assert bench.totals()[3] == 2


def test_rows_that_wait_are_timed_one_by_one_and_each_pauses_the_clock() -> None:
    bench = Bench(TernDevice(TernChip(total=0)), TERN_PINS)
    bench.timing(10)
    row = np.ones(1, dtype=np.uint32)
    driven = (row | NRESET, row * (INS | CLK | NRESET), row * CLK)
    tested = (row * 9 << 8, row * OUTS, row * 0, row * np.uint32(protocol.UNTIL | 20))
    assert bench.block(*driven, *tested) == []
    assert bench.totals() == (9, 0, bench.totals()[2], 8)


def test_untested_repetitions_take_no_memory_and_tested_ones_four_bytes_each() -> None:
    bench = Bench(TernDevice(TernChip(total=0)), TERN_PINS, words=512)
    bench.timing(6)
    bench.start(manner=protocol.PULSES | protocol.GAP_FREE)
    repeat = np.array([1, 5_000, 1, 400, 1], dtype=np.uint32)
    drive = np.array([5, 3, 1, 0, 2], dtype=np.uint32)
    sums = np.cumsum(drive * repeat, dtype=np.uint32) & 0xFF
    care = np.array([OUTS, 0, OUTS, OUTS, OUTS], dtype=np.uint32)
    zero = np.zeros_like(drive)
    enable = zero + (INS | CLK | NRESET)
    found = bench.block(drive | NRESET, enable, zero + CLK, sums << 8, care, zero, repeat)
    assert found == []
    assert bench.totals()[::3] == (5_403, 0)
    clocks = [now for now, levels in bench.bus.edges if levels & CLK]
    assert len(clocks) == 5_403
    assert set(np.diff(clocks)) == {6}
    assert bench.pins.plan.used < 200


def test_a_repeated_row_that_is_wrong_is_found_in_each_repetition() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(4)
    one = np.ones(1, dtype=np.uint32)
    zero = one * 0
    found = bench.block(one, one * 0xFF, zero, one * 0xFF00, one * 0xFF00, zero, one * 600)
    assert [entry[:3] for entry in found] == [(k, 0, k) for k in range(48)]
    assert bench.totals()[:2] == (600, 600)


def test_the_window_is_read_back_whole_even_inside_an_untested_repetition() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(4)
    bench.start(first=300, stop=310)
    data = np.array([1, 2, 3], dtype=np.uint32)
    zero = np.zeros_like(data)
    repeat = np.array([1, 1000, 1], dtype=np.uint32)
    bench.engine.command(
        protocol.LOAD, encode_planes((data, zero + 0xFF, zero, zero, zero, zero, repeat))
    )
    answer = bench.engine.command(protocol.BLOCK, struct.pack("<BH", 0, 3))
    assert answer[2] == 10
    for k in range(10):
        cycle, row, _passed, seen, _floating = struct.unpack_from("<IHIII", answer, 3 + 18 * k)
        assert (cycle, row, seen) == (300 + k, 1, 0xFD02)


def test_more_cycles_than_fit_in_memory_are_chained_and_counted() -> None:
    bench = Bench(Inverter(), range(16), words=100)
    bench.timing(4)
    assert bench.invert(counting(350)) == []
    assert bench.totals()[::3] == (350, 3)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"enable": (5, 0x7F)}, "no single burst: pins change direction"),
        ({"highz": (5, 0x100)}, "no single burst: a row tests for high impedance"),
        (
            {"repeat": (5, protocol.UNTIL | 3)},
            "no single burst: a row waits until its outputs match",
        ),
        (
            {"repeat": (5, 90), "care": (5, 0xFF00)},
            "no single burst: memory for 80 words and 80 captured cycles is full",
        ),
    ],
)
def test_a_burst_that_must_not_pause_is_refused_with_the_reason_before_it_starts(
    change: dict[str, tuple[int, int]], reason: str
) -> None:
    bench = Bench(Inverter(), range(16), words=80)
    bench.start(manner=protocol.GAP_FREE)
    columns = {name: np.zeros(10, dtype=np.uint32) for name in protocol.FIELDS}
    columns["enable"] += np.uint32(0xFF)
    columns["repeat"] += np.uint32(1)
    for name, (row, value) in change.items():
        columns[name][row] = value
    with pytest.raises(Refused) as caught:
        bench.block(*columns.values())
    assert str(caught.value) == reason
    assert bench.totals()[0] == 0
    assert bench.bus.edges == []


def test_a_second_block_of_a_burst_that_must_not_pause_is_refused() -> None:
    bench = Bench(Inverter(), range(16))
    bench.start(manner=protocol.GAP_FREE)
    bench.invert(counting(10))
    with pytest.raises(Refused, match="no single burst: more than one block"):
        bench.invert(counting(10))


def test_an_abort_stops_the_hardware_and_the_next_run_is_sound() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(2000)

    def stop() -> None:
        raise Aborted

    bench.engine.look_up = stop
    with pytest.raises(Aborted):
        bench.invert(counting(100))
    assert not bench.bus.read(rp2_chip.PIO_CTRL) & 1
    edges = len(bench.bus.edges)
    bench.bus.advance(5000)
    assert len(bench.bus.edges) == edges
    bench.engine.look_up = None
    bench.start()
    bench.timing(4)
    assert bench.invert(counting(100)) == []


def test_release_restores_everything_as_it_was() -> None:
    bus = EmulatedBus(TernDevice(TernChip()), TERN_PINS)
    bus.write(rp2040.PADS + 4 * 3, 0x5A)
    bus.write(rp2040.IO_CTRL + 8 * 3, 5)
    before = bus.registers()
    pins = Pins(bus)
    pins.bind(TERN_PINS)
    engine = Engine(pins, 64)
    engine.start(0, 0)
    assert bus.registers() != before
    assert all(bus.read(rp2040.PADS + 4 * number) & 0x40 for number in TERN_PINS)
    one = np.ones(1, dtype=np.uint32)
    engine.command(protocol.LOAD, encode_planes((one, one, one, *[one * 0] * 3, one)))
    engine.command(protocol.BLOCK, struct.pack("<BH", 0, 1))
    assert bus.pio.pin_directions
    pins.release()
    assert bus.registers() == before
    assert bus.pio.pin_directions == 0
    assert bus.pio.instructions == [0] * 32
    pins.release()
    assert bus.registers() == before


@pytest.mark.parametrize(("enabled", "machines"), [(1, "0"), (0b0100, "2"), (0b1010, "1, 3")])
def test_a_pio_in_use_by_another_program_is_left_alone(enabled: int, machines: str) -> None:
    """Its program memory cannot be read, so not restored, and its machines share the first pin."""
    bus = EmulatedBus(Inverter(), range(16))
    bus.write(rp2_chip.PIO_CTRL, enabled)
    before = bus.registers()
    with pytest.raises(Refused) as caught:
        Pins(bus).bind(range(16))
    assert str(caught.value) == (
        f"PIO block 0 is in use by another program (state machines running: {machines}); end it, "
        'boot.py for example, or write backend = "sio" in the board\'s profile'
    )
    assert bus.registers() == before


def test_the_host_hears_of_an_until_row_after_each_of_its_cycles() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(8)
    looked: list[int] = []
    bench.pins.idle = lambda: looked.append(bench.pins.bursts)
    bench.pins.until([0, 0xFF, 0, 0, 0xFF00], 20)
    assert set(looked) >= set(range(1, 20))


@pytest.mark.parametrize("other", [0, 1, 2])
@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        (protocol.HELLO, b""),
        (protocol.BIND, bytes(range(16))),
        (protocol.TIMING, struct.pack("<III", 32, 0, 0)),
    ],
)
def test_another_controller_is_refused_by_its_identity_and_no_register_of_it_is_written(
    kind: int,
    payload: bytes,
    other: int,
    controller: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    identity, what = WRONG_ONES[controller][other]
    bus = EmulatedBus(Inverter(), range(16))
    bus.hertz = 150_000_000  # which must not be what is complained of
    written: list[int] = []
    monkeypatch.setattr(bus, "chip_id", lambda: identity)
    monkeypatch.setattr(bus, "write", lambda address, _value: written.append(address))
    engine = Engine(Pins(bus), 32)
    with pytest.raises(Refused) as caught:
        engine.command(kind, payload)
    assert str(caught.value) == refusal(controller, identity, what, "rp2")
    with pytest.raises(Refused, match="no pins are bound"):
        engine.command(protocol.BLOCK, struct.pack("<BH", 0, 1) + WHOLE_WORDS)
    engine.pins.release()
    assert written == []


def test_an_interpreter_of_another_controller_family_is_not_even_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read: list[int] = []

    class Memory:
        def __getitem__(self, address: int) -> int:
            read.append(address)
            return 0x20002927

    monkeypatch.setitem(sys.modules, "machine", SimpleNamespace(mem32=Memory()))
    monkeypatch.setattr(sys, "platform", "esp32")
    assert (rp2_chip.Bus().chip_id(), read) == (0, [])
    monkeypatch.setattr(sys, "platform", "rp2")
    assert (rp2_chip.Bus().chip_id(), read) == (0x20002927, [0x40000000])


@pytest.mark.parametrize(
    ("hertz", "period", "achieved"),
    [
        (200_000_000, 32, (35, 1)),
        (133_000_000, 32, (5000, 133)),
        (150_000_000, 26, (80, 3)),
        (150_000_000, 27, (100, 3)),
        (150_000_000, 4_294_967_293, (4_294_967_294, 1)),
    ],
)
def test_the_tick_is_the_system_clocks_and_need_not_be_whole_nanoseconds(
    hertz: int, period: int, achieved: tuple[int, int]
) -> None:
    bench = Bench(Inverter(), range(16))
    bench.bus.hertz = hertz
    assert bench.pins.limits()["clock_hz"] == hertz
    assert bench.pins.timing(period, 0, 0) == achieved


def test_a_dma_that_does_not_keep_up_is_seen() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(4)
    begin = bench.pins.begin

    def starve(writes: Writes, cycles: int) -> None:
        begin(writes, cycles)
        bench.bus.write(rp2_chip.channel(rp2_chip.SEND) + rp2_chip.DMA_CTRL, 0)
        bench.bus.advance(40)
        control = rp2_chip.DMA_ON | rp2040.STEP_READ | rp2_chip.AFTER_SEND
        bench.bus.write(rp2_chip.channel(rp2_chip.SEND) + rp2_chip.DMA_CTRL, control)

    bench.pins.begin = starve  # type: ignore[method-assign]
    bench.invert(counting(50))
    assert bench.totals()[3] == 1


@few(30)
@given(st.integers(1, 60), st.integers(0, 1 << 30), st.sampled_from([1, 2]))
def test_planes_laid_out_straight_are_the_words_that_their_rows_would_be(
    count: int, number: int, two: int
) -> None:
    random = np.random.default_rng(number)
    varies = random.integers(0, 1 << 16, 4, dtype=np.uint32)
    drive, pulse, expect, care = random.integers(0, 1 << 16, (4, count), dtype=np.uint32)
    zero = np.zeros(count, np.uint32)
    fields = (drive & varies[0], zero + 7, pulse & varies[1], expect & varies[2], care & varies[3])
    body = encode_planes((*fields, zero, zero + 1))
    bench = Bench(Inverter(), range(16), rows=64)
    plan, straight, cut = bench.pins.plan, Block(64), Block(64)
    straight.open(body, count)
    if straight.fresh:  # else they are plain words, the shorter way
        assert plan.goes_straight(straight, two)
        plan.lay_straight(straight, bench.pins.outward, two)
        laid, blocks = list(plan.stream[: two * count]), (list(plan.sending), list(plan.getting))
        cut.load(body, count)
        assert plan.lay_out(cut, (0, 0), bench.pins.outward, (count, two, 0, 0)) == (count, 0)
        assert laid == list(plan.stream[: two * count])
        assert blocks == (list(plan.sending), list(plan.getting))
        assert list(straight.care) == list(cut.care)
        assert list(straight.expect) == list(cut.expect)


@few(25)
@given(st.integers(0, 1 << 30), st.sampled_from([0, 0, 3]), st.sampled_from([80, 2048]))
def test_repeated_rows_are_judged_cycle_by_cycle(number: int, wrong: int, memory: int) -> None:
    """In whatever stretches they were laid out: as expected, with wrong bits, in the window."""
    random = np.random.default_rng(number)
    count = int(random.integers(1, 40))
    repeat = random.choice(np.array([0, 1, 1, 3, 30, 90], np.uint32), count)
    data = random.integers(0, 256, count, dtype=np.uint32)
    care = random.choice(np.array([0, 0xFF00], np.uint32), count)
    flips = np.zeros(count, np.uint32)
    flips[random.choice(count, min(wrong, count), replace=False)] = 0x100
    zero = np.zeros(count, np.uint32)
    bench = Bench(Inverter(), range(16), rows=64, words=memory)
    bench.timing(8)
    bench.start(5, 12)
    expect = (~data & 0xFF) << np.uint32(8)
    columns = (data, zero + 0xFF, zero, expect ^ flips, care, zero, repeat)
    body = encode_planes(tuple(column.astype(np.uint32) for column in columns))
    bench.engine.command(protocol.LOAD, body)
    answer = bench.engine.command(protocol.BLOCK, struct.pack("<BH", protocol.REPEATS, count))
    rows = np.repeat(np.arange(count), repeat)
    places = [(k, int(row), k - int(np.argmax(rows == row))) for k, row in enumerate(rows)]
    bad = [place for place in places if flips[place[1]] & care[place[1]]]
    kept, window = bad[:48], places[5:12]
    misses = [MISMATCH.unpack_from(answer, 3 + MISMATCH.size * k) for k in range(answer[0])]
    assert [miss[:3] for miss in misses] == kept
    at = 3 + MISMATCH.size * len(kept)
    seen = [struct.unpack_from("<IHIII", answer, at + 18 * k)[:4] for k in range(answer[2])]
    assert seen == [(*place, int(expect[place[1]] | data[place[1]])) for place in window]
    tested = expect[rows] & care[rows]
    crc = zlib.crc32(tested.astype("<u4").tobytes())
    assert bench.totals()[:3] == (len(rows), len(bad), crc)


def test_a_run_of_twice_the_rows_without_pulses_is_whole_after_one_with_pulses() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(8)
    half, data = counting(8), counting(16)
    zero = np.zeros_like(half)
    bench.block(half, zero + 0xFF, zero + 1, zero, zero, zero, zero + 1)
    bench.start()
    assert [entry[0] for entry in bench.invert(data, wrong=(data == 13) * 0x100)] == [12]
    assert bench.totals()[:2] == (16, 1)


def test_a_test_for_high_impedance_ends_with_its_block() -> None:
    bench = Bench(Inverter(), range(16))
    bench.timing(8)
    data = counting(8)
    zero = np.zeros_like(data)
    one = np.where(data == 3, 0x8000, 0)
    tested = bench.block(data, zero + 0xFF, zero, zero, zero, one, zero + 1)
    assert [entry[0] for entry in tested] == [2]
    assert bench.invert(data) == []
    assert bench.totals()[:2] == (16, 1)


def test_the_accumulator_wired_in_any_order_has_each_pin_once() -> None:
    assert len(set(TERN_PINS)) == len(PINS) == len(TERN_PINS)

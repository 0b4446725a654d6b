"""Pins through ``machine.Pin``, against a fake ``machine`` on wires with simple logic behind them.

The fake is no model of a controller: what it shows is the order of steps, not electrical truth.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from types import ModuleType
from typing import Any

import pytest

from harness.agent.buffers import words
from harness.agent.codec import Block
from harness.agent.engine import Engine, Refused
from tests.unit.agent.micropython import FAKE_BOARD

WRAP = 1 << 30
"""Where MicroPython's tick counters wrap round on most boards."""


class Ticks:
    """A microsecond counter that wraps like a board's; every look at it takes a microsecond."""

    def __init__(self) -> None:
        self.now = WRAP - 5000
        self.total = 0

    def us(self) -> int:
        self.total += 1
        self.now = (self.now + 1) % WRAP
        return self.now

    def diff(self, later: int, earlier: int) -> int:
        return (later - earlier + WRAP // 2) % WRAP - WRAP // 2

    def add(self, moment: int, delta: int) -> int:
        return (moment + delta) % WRAP

    def idle(self, us: int) -> None:
        self.now = (self.now + us) % WRAP
        self.total += us


class Bench:
    """Six bound pins; the agent's module, the fake machine and the clock at hand."""

    def __init__(self, module: ModuleType, machine: ModuleType, ticks: Ticks) -> None:
        self.machine: Any = machine
        self.ticks = ticks
        self.pins: Any = module.Pins()
        self.pins.bind([10, 11, 12, 13, 14, 15])

    def chip(self, bit: int, level: Callable[[], int] | int | None) -> None:
        """Set what the other end of a wire does."""
        self.machine.net(10 + bit).chip = level

    def out(self, bit: int) -> int:
        """The level that the controller puts on a wire."""
        return int(self.pins.pins[bit].out)

    def watch(self, bit: int, watcher: Callable[[int], None]) -> None:
        self.machine.net(10 + bit).watchers.append(watcher)

    def run(self, *rows: dict[str, int]) -> list[tuple[int, int]]:
        """Run vectors; return (seen, floating) of each."""
        block = Block(len(rows))
        for at, row in enumerate(rows):
            for name, value in row.items():
                getattr(block, name)[at] = value
        seen, floating = words(len(rows)), words(len(rows))
        self.pins.run(block, len(rows), seen, floating)
        return list(zip(seen, floating, strict=True))

    def log(self) -> list[tuple[object, ...]]:
        """The calls to pins since the last one of this."""
        entries = list(self.machine.LOG)
        self.machine.LOG.clear()
        return entries


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.syspath_prepend(str(FAKE_BOARD))
    for name in ("machine", "harness.agent.pins_generic"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    machine = importlib.import_module("machine")
    module = importlib.import_module("harness.agent.pins_generic")
    ticks = Ticks()
    for name in ("us", "diff", "add"):
        monkeypatch.setattr(module, f"ticks_{name}", getattr(ticks, name))
    yield Bench(module, machine, ticks)
    for name in ("machine", "harness.agent.pins_generic"):
        sys.modules.pop(name, None)


def test_bound_pins_are_inputs_without_a_pull(bench: Bench) -> None:
    assert bench.log() == [("init", 10 + bit, bench.machine.Pin.IN, None, None) for bit in range(6)]
    assert bench.pins.serial() == "e6600a"


def test_inputs_are_driven_and_outputs_read(bench: Bench) -> None:
    bench.chip(3, lambda: 1 - bench.out(0))
    bench.chip(4, 1)
    rows = [{"drive": 0b01, "enable": 0b11}, {"drive": 0b10, "enable": 0b11}]
    assert [seen for seen, _ in bench.run(*[row | {"care": 0b11000} for row in rows])] == [
        0b010000,
        0b011000,
    ]


def test_only_pins_that_a_row_tests_are_read(bench: Bench) -> None:
    reads: list[int] = []

    def read(bit: int) -> int:
        reads.append(bit)
        return 1

    for bit in range(6):
        bench.chip(bit, partial(read, bit))
    rows = [{"enable": 0b1, "care": 0b10010}, {"care": 0b100, "highz": 0b1000}, {}]
    assert [seen for seen, _ in bench.run(*rows)] == [0b10010, 0b1100, 0]
    assert reads == [1, 4, 2, 3, 3, 3], "a test for high impedance reads once more under each pull"


def test_a_run_whose_words_go_back_to_the_host_reads_all_pins(bench: Bench) -> None:
    bench.chip(4, 1)
    engine = Engine(bench.pins, 64)
    engine.start(0, 1)
    assert bench.run({"drive": 0b1, "enable": 0b11}) == [(0b10001, 0)]
    assert bench.pins.until([0, 0b1, 0, 0, 0], 1) == (1, 0b10000, True)
    engine.start(0, 0)
    assert bench.run({"drive": 0b1, "enable": 0b11}) == [(0, 0)]


def test_only_what_changes_is_touched(bench: Bench) -> None:
    same = {"drive": 0b101, "enable": 0b111}
    bench.run(same)
    bench.log()
    bench.run(same, same)
    assert bench.log() == []
    bench.run({"drive": 0b100, "enable": 0b111})
    assert bench.log() == [("value", 10, 0)]


def test_a_bidirectional_pin_is_released_before_it_is_read(bench: Bench) -> None:
    pin = bench.machine.Pin
    bench.run({"drive": 0b1, "enable": 0b1})
    bench.chip(0, 1)
    bench.log()
    assert bench.run({"drive": 0, "enable": 0, "care": 0b1})[0][0] == 1
    assert bench.log() == [("init", 10, pin.IN, None, None)]
    bench.run({"drive": 0b1, "enable": 0b1})
    assert bench.log() == [("init", 10, pin.OUT, -1, 1)]


def test_a_pulse_comes_after_the_inputs_and_before_the_outputs_are_read(bench: Bench) -> None:
    sampled: list[int] = []
    bench.watch(5, lambda level: sampled.append(bench.out(0)) if level else None)
    bench.chip(3, lambda: sampled[-1] if sampled else 0)
    row = {"enable": 0b100001, "pulse": 0b100000, "care": 0b1000}
    seen = bench.run(row | {"drive": 0b1}, row)
    assert sampled == [1, 0]
    assert [word >> 3 & 1 for word, _ in seen] == [1, 0]


@pytest.mark.parametrize("rest", [0, 1])
def test_a_pulse_goes_to_the_other_level_and_back(bench: Bench, rest: int) -> None:
    bench.run({"drive": rest << 5, "enable": 0b100000})
    levels: list[int] = []
    bench.watch(5, levels.append)
    bench.run({"drive": rest << 5, "enable": 0b100000, "pulse": 0b100000})
    assert levels == [1 - rest, rest]


@pytest.mark.parametrize(("level", "floats"), [(None, 0b1000), (0, 0), (1, 0)])
def test_only_a_pin_that_follows_both_pulls_floats(
    bench: Bench, level: int | None, floats: int
) -> None:
    bench.chip(3, level)
    assert bench.run({"highz": 0b1000})[0][1] == floats
    assert bench.pins.pins[3].pull is None


@pytest.mark.parametrize("stepping", [0x2, 0x3, 0x8])
def test_an_rp2350_of_stepping_a2_is_not_tested_for_high_impedance(
    stepping: int, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its erratum E9 would make every floating pin look driven; A3 and A4 are mended."""
    monkeypatch.setattr(sys, "platform", "rp2")
    identity = {0x40000000: stepping << 28 | 0x0004927}
    monkeypatch.setattr(bench.machine, "mem32", identity, raising=False)
    if stepping > 2:
        assert bench.run({"highz": 0b1000})[0][1] == 0b1000
        return
    assert bench.run({"care": 0b1000})
    with pytest.raises(Refused) as caught:
        bench.run({"highz": 0b1000})
    assert str(caught.value) == (
        "this RP2350, of stepping A2, cannot be tested for high impedance with backend "
        '"generic"; use "rp2" or "sio"'
    )


def test_a_pin_that_the_controller_drives_never_floats(bench: Bench) -> None:
    assert bench.run({"drive": 0, "enable": 0b1000, "highz": 0b1000})[0][1] == 0


def test_until_ends_at_the_match_or_at_the_limit(bench: Bench) -> None:
    count = [0]
    bench.watch(5, lambda level: count.__setitem__(0, count[0] + level))
    bench.chip(3, lambda: int(count[0] >= 4))
    vector = [0, 0b100000, 0b100000, 0b1000, 0b1000]
    assert bench.pins.until(vector, 3) == (3, 0, False)
    assert bench.pins.until(vector, 9) == (1, 0b1000, True)


def test_times_are_rounded_up_to_whole_microseconds(bench: Bench) -> None:
    assert bench.pins.timing(1001, 1, 0) == (2000, 1)
    assert bench.pins.settle_us == 1


@pytest.mark.parametrize("idle", [0, 700, 600_000_000, WRAP - 100])
def test_a_cycle_is_never_shorter_than_requested_however_long_the_board_was_idle(
    bench: Bench, idle: int
) -> None:
    looks: list[int] = []

    def look() -> int:
        looks.append(bench.ticks.total)
        return 0

    bench.pins.timing(500_000, 0, 0)
    bench.run({})
    bench.ticks.idle(idle)
    bench.chip(0, look)
    begin = bench.ticks.total
    bench.run({}, {}, {})
    cycles = [after - before for before, after in zip([begin, *looks], looks, strict=False)]
    assert all(500 <= cycle < 520 for cycle in cycles), cycles


def test_a_clock_pulse_lasts_half_a_cycle(bench: Bench) -> None:
    edges: list[int] = []
    bench.pins.timing(1_000_000, 0, 0)
    bench.run({"enable": 0b100000})
    bench.watch(5, lambda _level: edges.append(bench.ticks.total))
    bench.run({"enable": 0b100000, "pulse": 0b100000})
    assert 500 <= edges[1] - edges[0] < 510


def test_the_time_that_cycles_took_is_measured_and_returned_once(bench: Bench) -> None:
    bench.pins.timing(500_000, 0, 0)
    bench.run(*[{"drive": k & 1, "enable": 1} for k in range(10)])
    bench.ticks.idle(7_000)
    bench.run({})
    took = bench.pins.took()
    assert 5_500 <= took < 6_000, "eleven cycles of 500 us, and not the idle time between"
    assert bench.pins.took() == 0


QUIET = {"drive": 0b010101, "enable": 0b010101, "care": 0b111111}
BUSY = QUIET | {"pulse": 0b000001, "highz": 0b101010}
"""The costliest vectors and the cheapest, alternating: one cost does not predict the next."""
ROWS = ([QUIET] * 40 + [BUSY, BUSY | {"enable": 0b101010, "highz": 0b010101}] * 20) * 4


@pytest.fixture
def slow(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Every touch of a pin takes 300 us: a loop far slower than the rate requested."""
    for name in ("init", "value"):
        touch = getattr(bench.machine.Pin, name)

        def costly(pin: Any, *given: Any, touch: Any = touch, **named: Any) -> Any:
            bench.ticks.idle(300)
            return touch(pin, *given, **named)

        monkeypatch.setattr(bench.machine.Pin, name, costly)
    return bench


def silences(bench: Bench, work: Callable[[], object]) -> list[int]:
    """Microseconds between two looks at the host; each look takes 8 ms, as reading bytes does."""
    begin, found = [bench.ticks.total], []

    def look() -> None:
        found.append(bench.ticks.total - begin[0])
        bench.ticks.idle(8_000)
        begin[0] = bench.ticks.total

    bench.pins.idle = look
    work()
    return [*found, bench.ticks.total - begin[0]]


def until_never(bench: Bench, cycles: int) -> Callable[[], object]:
    """An ``until`` row whose outputs never match."""
    return lambda: bench.pins.until([0, 0b111, 0b1, 0b1000, 0b111000], cycles)


COSTLIEST_US = 15_000
"""One vector that turns and pulls every pin."""


@pytest.mark.parametrize(
    ("period_ns", "cycles"), [(1_000, 800), (5_000_000, 200), (2_000_000_000, 3)]
)
def test_the_host_hears_of_a_slow_board_at_any_requested_rate(
    slow: Bench, period_ns: int, cycles: int
) -> None:
    rows = ROWS if period_ns < 1e9 else ROWS[39:42]
    slow.pins.timing(period_ns, 0, 0)
    for work in (lambda: slow.run(*rows), until_never(slow, cycles)):
        found = silences(slow, work)
        assert len(found) > 15
        assert max(found) <= 50_000 + COSTLIEST_US, found


def test_a_board_that_is_quick_enough_does_not_look_up(bench: Bench) -> None:
    assert len(silences(bench, lambda: bench.run(*[QUIET] * 200))) == 1


def test_a_look_at_the_host_shortens_no_cycle_and_counts_as_none(slow: Bench) -> None:
    slow.pins.timing(10_000_000, 0, 0)
    begun: list[int] = []
    slow.watch(0, lambda _level: begun.append(slow.ticks.total))
    rows = [{"drive": k & 1, "enable": 1} for k in range(40)]
    slow.pins.took()
    looks = len(silences(slow, lambda: slow.run(*rows))) - 1
    assert looks > 5
    assert min(after - before for before, after in pairwise(begun)) >= 9_400
    assert 400_000 <= slow.pins.took() < 440_000


def test_the_host_can_end_a_slow_block_and_a_slow_until(slow: Bench) -> None:
    class Enough(Exception):
        pass

    def stop() -> None:
        raise Enough

    slow.pins.idle = stop
    for work in (lambda: slow.run(*ROWS), until_never(slow, 100_000)):
        begin = slow.ticks.total
        with pytest.raises(Enough):
            work()
        assert slow.ticks.total - begin <= 50_000 + COSTLIEST_US


def test_after_an_end_in_the_middle_of_a_pulse_levels_are_as_vectors_say(bench: Bench) -> None:
    class Enough(Exception):
        pass

    def stop() -> None:
        if bench.out(0):
            raise Enough

    bench.pins.timing(1_000_000_000, 0, 0)
    bench.pins.idle = stop
    with pytest.raises(Enough):
        bench.run({"enable": 1, "pulse": 1})
    assert bench.out(0) == 1
    bench.pins.timing(1_000, 0, 0)
    bench.run({"enable": 1})
    assert bench.out(0) == 0


def test_release_frees_every_pin(bench: Bench) -> None:
    bench.run({"drive": 0b111111, "enable": 0b111111})
    bench.pins.release()
    assert {pin.mode for pin in bench.pins.pins} == {bench.machine.Pin.IN}
    bench.log()
    bench.run({"drive": 1, "enable": 1})
    assert bench.log() == [("init", 10, bench.machine.Pin.OUT, -1, 1)]


def test_a_sensor_gives_the_mean_of_many_readings(bench: Bench) -> None:
    bench.machine.READINGS |= {29: [1000, 1010], 26: [65535]}
    assert bench.pins.sense([29, 26]) == [1005, 65535]
    assert bench.pins.sense([]) == []

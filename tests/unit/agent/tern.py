"""A small chip in plain Python behind the agent's pins face, and a reference for its answers.

The chip is an accumulator: every clock pulse adds the input byte, so that a vector which is lost
or executed twice changes every answer after it. It knows nothing of links or blocks.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from harness.agent.codec import Block
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle
from harness.table import Pattern

NAMES = {
    **{f"in{k}": Direction.INPUT for k in range(8)},
    **{f"out{k}": Direction.OUTPUT for k in range(8)},
    "io": Direction.BIDIRECTIONAL,
    "clk": Direction.CLOCK,
    "nreset": Direction.RESET,
    "s0": Direction.SELECT,
    "s1": Direction.SELECT,
}
PINS = tuple(Pin(name, direction, bit) for bit, (name, direction) in enumerate(NAMES.items()))
PIN = {pin.name: pin for pin in PINS}
IO, CLK, NRESET, S0, S1 = (PIN[name].mask for name in ("io", "clk", "nreset", "s0", "s1"))
INS, OUTS = 0xFF, 0xFF00


def design(address: int) -> Design:
    return Design(f"acc{address}", "acc", "", address, "worked by hand", 1e6, Path(), (), (), "acc")


SHUTTLE = Shuttle(
    name="Tern 1",
    organisation="",
    chip_serial=".*",
    pins=PINS,
    reset_active_low=True,
    designs=tuple(design(address) for address in range(4)),
    path=Path(),
    sha256="",
)
SIGNALS = (
    Bus("d", tuple(PIN[f"in{k}"] for k in reversed(range(8))), Direction.INPUT),
    Bus("clk", (PIN["clk"],), Direction.INPUT),
    Bus("q", tuple(PIN[f"out{k}"] for k in reversed(range(8))), Direction.OUTPUT),
    Bus("io", (PIN["io"],), Direction.BIDIRECTIONAL),
)


@dataclass
class TernChip:
    """The chip. ``stuck`` outputs stay low. One call is one cycle, as the controller sees it."""

    stuck: int = 0
    total: int = 0xA5
    resets: int = 0
    addresses: set[int] = field(default_factory=set)

    def cycle(self, drive: int, enable: int, pulse: int) -> tuple[int, int]:
        """Return the word read and the pins that nothing drives."""
        pins = drive & enable
        if pulse & CLK:
            self._clock(pins)
        address = bool(pins & S0) + 2 * bool(pins & S1)
        self.addresses.add(address)
        out = (self.total + 17 * address & 0xFF) << 8 & ~self.stuck
        word = (pins & ~OUTS) | out
        floating = 0
        if not enable & IO:
            if self.total & 0x80:
                word |= IO if self.total & 1 else 0
            else:
                floating = IO
        return word, floating

    def _clock(self, pins: int) -> None:
        if pins & NRESET:
            self.total = (self.total + (pins & INS)) & 0xFF
        else:
            self.total = 0
            self.resets += 1


class TernPins:
    """The chip behind the engine's pins interface."""

    name = "tern"
    exact: Literal[False] = False
    bursts = 0
    rows = 1024
    also = 0

    def __init__(self, chip: TernChip) -> None:
        self.chip = chip
        self.idle: Callable[[], None] | None = None
        self.bound: list[int] = []
        self.period = 0
        self.released = 0

    def serial(self) -> str:
        return "T-01"

    def bind(self, numbers: Sequence[int]) -> None:
        self.bound = list(numbers)

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int) -> tuple[int, int]:  # noqa: ARG002
        self.period = period_ns + settle_ns
        return period_ns, 1

    def run(self, block: Block, count: int, seen: array[int], floating: array[int]) -> None:
        for k in range(count):
            word, floats = self.chip.cycle(block.drive[k], block.enable[k], block.pulse[k])
            seen[k] = word
            floating[k] = floats & block.highz[k]
            if self.idle:
                self.idle()

    def took(self) -> int:
        return 0

    def until(self, vector: Sequence[int], limit: int) -> tuple[int, int, bool]:
        drive, enable, pulse, expect, care = vector
        word = 0
        for used in range(1, limit + 1):
            word, _ = self.chip.cycle(drive, enable, pulse)
            if not (word ^ expect) & care:
                return used, word, True
        return limit, word, False

    def sense(self, numbers: Sequence[int]) -> list[int | None]:
        return [0x3333 if number == 26 else None for number in numbers]

    def release(self) -> None:
        self.released += 1


@dataclass
class Expected:
    """The expected result of a run, worked out cycle by cycle without agent or link."""

    cycles: int = 0
    wrong: list[tuple[int, int, int, int, int, int]] = field(default_factory=list)
    pin_counts: dict[int, int] = field(default_factory=dict)
    until_used: dict[int, int] = field(default_factory=dict)
    words: list[tuple[int, int, int, int]] = field(default_factory=list)

    def judge(self, row: int, passed: int, seen: tuple[int, int], wrong: int) -> None:
        word, floating = seen
        self.words.append((row, self.cycles, word, floating))
        if wrong:
            self.wrong.append((self.cycles, row, passed, word, floating, wrong))
            for bit in range(32):
                if wrong >> bit & 1:
                    self.pin_counts[bit] = self.pin_counts.get(bit, 0) + 1
        self.cycles += 1


def reference(pattern: Pattern, chip: TernChip, rest: int) -> Expected:
    """Run a pattern on a chip; ``rest`` is driven besides what the pattern drives."""
    result = Expected()
    for row in range(len(pattern)):
        drive = int(pattern.drive[row]) | rest
        enable = int(pattern.enable[row]) | NRESET | S0 | S1
        pulse, expect = int(pattern.pulse[row]), int(pattern.expect[row])
        care, highz = int(pattern.care[row]), int(pattern.highz[row])
        repeat = int(pattern.repeat[row])
        for passed in range(repeat):
            word, floating = chip.cycle(drive, enable, pulse)
            floating &= highz
            wrong = ((word ^ expect) & care) | (highz & ~floating)
            if pattern.until[row]:
                if wrong and passed < repeat - 1:
                    result.cycles += 1
                    continue
                result.until_used[row] = passed + 1
                result.judge(row, passed, (word, floating), wrong)
                break
            result.judge(row, passed, (word, floating), wrong)
    return result


def checked_pattern(seed: int, rows: int, *, wrong_rate: float = 0.0) -> Pattern:
    """Rows as of ``random_pattern`` that the board can check by their CRC."""
    pattern = random_pattern(seed, rows, wrong_rate=wrong_rate, wait_rate=0.0)
    return replace(pattern, highz=np.zeros_like(pattern.highz))


def random_pattern(
    seed: int, rows: int, *, wrong_rate: float = 0.0, wait_rate: float = 0.06
) -> Pattern:
    """Rows for the accumulator at address 0 after reset, some expecting the wrong thing."""
    random = np.random.default_rng(seed)
    chip = TernChip(total=0)
    columns: dict[str, list[int]] = {
        name: [] for name in ("drive", "enable", "pulse", "expect", "care", "highz", "repeat")
    }
    until: list[bool] = []
    for _ in range(rows):
        data = int(random.integers(0, 256))
        pulse = CLK if random.random() < 0.8 else 0
        wait = bool(random.random() < wait_rate)
        repeat = int(random.integers(2, 9)) if wait or random.random() < 0.1 else 1
        before = chip.total
        for _ in range(int(random.integers(1, repeat + 1)) if wait else repeat):
            word, floating = chip.cycle(data | NRESET, INS | CLK | NRESET | S0 | S1, pulse)
        expect = word & (OUTS | IO)
        if random.random() < wrong_rate:
            expect ^= 0x100 << int(random.integers(0, 8))
        tests_z = bool(floating) and not wait and repeat == 1
        columns["drive"].append(data)
        columns["enable"].append(INS | CLK)
        columns["pulse"].append(pulse)
        columns["expect"].append(expect & OUTS)
        columns["care"].append(OUTS)
        columns["highz"].append(IO if tests_z else 0)
        columns["repeat"].append(repeat)
        until.append(wait)
        if wait:  # the chip may match earlier, or too late; go on from where it really is
            chip.total = before
            last = {name: column[-1:] for name, column in columns.items()}
            reference(pattern_of(last, [True]), chip, NRESET)
    return pattern_of(columns, until)


def pattern_of(columns: Mapping[str, Sequence[int]], until: Sequence[bool]) -> Pattern:
    """A pattern from columns of numbers, for the signals of the accumulator."""
    arrays = {name: np.array(values, dtype=np.uint32) for name, values in columns.items()}
    return Pattern.of(
        SIGNALS,
        **arrays,
        until=np.array(until, dtype=np.bool_),
        line=np.arange(len(until), dtype=np.int32),
    )

"""A small shuttle, a table of four vectors, and a board session that answers from a function."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np

from harness.board import BoardIdentity, Capture, CaptureWindow, Mismatch, RunConditions
from harness.errors import LinkError
from harness.judge import Case, RetryPolicy, examine
from harness.records import ChipRecord, Rehearsal, RehearsalResult
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle, TableSpec, Waiver
from harness.table import NO_CYCLES, Cycles, Pattern, Words

IN0, IN1, OUT0, OUT1, IO0, CLK, NRESET, SEL = range(8)
Q = (1 << OUT0) | (1 << OUT1)
TODAY = date(2026, 6, 1)

PINS = (
    Pin("in0", Direction.INPUT, IN0),
    Pin("in1", Direction.INPUT, IN1),
    Pin("out0", Direction.OUTPUT, OUT0),
    Pin("out1", Direction.OUTPUT, OUT1),
    Pin("io0", Direction.BIDIRECTIONAL, IO0),
    Pin("clk", Direction.CLOCK, CLK),
    Pin("nreset", Direction.RESET, NRESET),
    Pin("seld", Direction.SELECT, SEL),
)
SIGNALS = (
    Bus("d", (PINS[IN1], PINS[IN0]), Direction.INPUT),
    Bus("q", (PINS[OUT1], PINS[OUT0]), Direction.OUTPUT),
    Bus("clk", (PINS[CLK],), Direction.INPUT),
)


def words(*values: int) -> Words:
    return np.array(values, dtype=np.uint32)


def follow_pattern(
    inputs: Sequence[int] = (0, 1, 2, 3), repeat: Sequence[int] = (1, 1, 1, 1)
) -> Pattern:
    """Expect q to equal d in every vector; the clock is pulsed in each."""
    drive = words(*inputs)
    count = len(inputs)
    return Pattern(
        drive=drive,
        enable=np.full(count, 0b11 | 1 << CLK, np.uint32),
        pulse=np.full(count, 1 << CLK, np.uint32),
        expect=drive << np.uint32(OUT0),
        care=np.full(count, Q, np.uint32),
        highz=np.zeros(count, np.uint32),
        repeat=words(*repeat),
        until=np.zeros(count, np.bool_),
        line=np.arange(2, count + 2, dtype=np.int32),
        signals=SIGNALS,
        labels={0: "first", 2: "two"},
        sha256="ab" * 32,
    )


REHEARSED = Rehearsal(RehearsalResult.PASSES, states=3)


def case(pattern: Pattern | None = None, waivers: tuple[Waiver, ...] = ()) -> Case:
    folder = Path("shuttle/follow")
    spec = TableSpec("all", folder / "all.csv", clock_hz=1000.0, reset_cycles=2)
    design = Design(
        name="follow",
        title="Follower",
        author="Wilma Dunlin",
        address=3,
        source="worked by hand",
        clock_hz=1000.0,
        folder=folder,
        signals=SIGNALS,
        tables=(spec,),
        top="follow",
    )
    shuttle = Shuttle(
        name="Pocket",
        organisation="Low Tide Silicon Club",
        chip_serial="PK-[0-9]{2}",
        pins=PINS,
        designs=(design,),
        path=Path("shuttle/shuttle.toml"),
        sha256="cd" * 32,
        waivers=waivers,
    )
    return Case("A1", "PK-01", "WB-01", shuttle, design, spec, pattern or follow_pattern())


def good_chip(cycle: int, drive: int) -> int:
    """Answer of a chip that does what its table says: q follows d."""
    return (drive & 0b11) << OUT0 | (drive & 0b11)


@dataclass
class FunctionSession:
    """A board whose chip's answer is a function of cycle and driven word.

    ``floating`` pins have nothing that drives them. ``answers`` has one function per run (the
    last one serves every later run); a LinkError in its place is raised by that run.
    """

    answers: Sequence[Callable[[int, int], int] | LinkError] = (good_chip,)
    floating: int = 0
    identity: BoardIdentity = field(
        default_factory=lambda: BoardIdentity("WB-01", "1", "none", "virtual", True)
    )
    runs: list[Pattern] = field(default_factory=list)
    windows: list[Cycles] = field(default_factory=list)
    selected: list[str] = field(default_factory=list)
    closed: int = 0

    def undriven(self, cycle: int, drive: int) -> int:
        """Pins that nothing drives in a cycle."""
        del cycle, drive
        return self.floating

    def select(self, design: Design) -> None:
        self.selected.append(design.name)

    def supply_ma(self) -> float | None:
        return None

    def cancel(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        del conditions
        answer = self.answers[min(len(self.runs), len(self.answers) - 1)]
        self.runs.append(pattern)
        self.windows.append(window)
        if isinstance(answer, LinkError):
            raise answer
        return self._capture(pattern, answer, window)

    def _capture(
        self, pattern: Pattern, answer: Callable[[int, int], int], window: Cycles
    ) -> Capture:
        cycle, signature = 0, 0
        mismatches: list[Mismatch] = []
        read: list[tuple[int, int, int, int]] = []
        for row in range(len(pattern)):
            for pass_ in range(int(pattern.repeat[row])):
                seen = answer(cycle, int(pattern.drive[row]))
                highz, care = int(pattern.highz[row]), int(pattern.care[row])
                floating = highz & self.undriven(cycle, int(pattern.drive[row]))
                wrong = (seen ^ int(pattern.expect[row])) & care & ~highz | highz & ~floating
                signature = zlib.crc32((seen & care).to_bytes(4, "little"), signature)
                if wrong:
                    mismatches.append(Mismatch(cycle, row, pass_, seen, floating, wrong))
                if window[0] <= cycle < window[1]:
                    read.append((row, cycle, seen, floating))
                cycle += 1
        return self._finished(cycle, mismatches, signature, read)

    @staticmethod
    def _finished(
        cycles: int,
        mismatches: list[Mismatch],
        signature: int,
        read: list[tuple[int, int, int, int]],
    ) -> Capture:
        counts = {
            bit: sum(1 for m in mismatches if m.wrong >> bit & 1)
            for bit in range(32)
            if any(m.wrong >> bit & 1 for m in mismatches)
        }
        columns = np.array(read, dtype=np.uint32).T
        return Capture(
            cycles=cycles,
            mismatch_count=len(mismatches),
            mismatches=tuple(mismatches[:8]),
            pin_counts=counts,
            signature=signature,
            until_used={},
            window=CaptureWindow(*columns) if read else None,
            achieved_hz=990.0,
            exact=False,
            seconds=0.01,
        )


def until_pattern() -> Pattern:
    """The follower's table with its last row turned into a match loop of at most five."""
    plain = follow_pattern(repeat=(1, 1, 1, 5))
    return replace(plain, until=np.array([False, False, False, True]))


def wrong_at(cycle_wrong: int) -> Callable[[int, int], int]:
    """A chip with one wrong output in one cycle."""
    return lambda cycle, drive: good_chip(cycle, drive) ^ (cycle == cycle_wrong) << OUT0


def chip_of(serial: str, *answers: Callable[[int, int], int]) -> ChipRecord:
    """A chip with one table that answered so."""
    mine = replace(case(), chip_serial=serial, slot=serial)
    outcome = examine(FunctionSession(answers), mine, RetryPolicy(), TODAY).outcome
    return ChipRecord(serial, serial, "WB", "p", True, "1", "none", "virtual", True, "", (outcome,))

"""The agent's commands for one run, and the reading of each answer.

An order is a command with the function that takes its answer, so that a whole run (rate, reset,
vectors, totals) is sent as one stream, in one round trip if all its bytes fit in flight.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from harness.agent import protocol
from harness.board import shelf
from harness.board.capture import CaptureWindow, Mismatch
from harness.board.encode import EncodedBlock
from harness.board.timing import Timing
from harness.link import Command
from harness.table import NO_CYCLES, Cycles, Pattern

MISMATCH = struct.Struct("<IHIIII")
UNTIL_ROW = struct.Struct("<HI")
TOTALS = struct.Struct("<IIIIQ")
WINDOW_WORD = struct.Struct("<IHIII")


@dataclass(frozen=True)
class BurstRoom:
    """The limits of a single burst where hardware times cycles in ticks of ``tick_ns``.

    ``captured`` is the maximum number of cycles read back, ``words`` that of words to the pins.
    """

    tick_ns: int
    captured: int
    words: int


@dataclass(frozen=True)
class Room:
    """A board's limits: vectors in a block, whether it can inflate, and its bursts.

    ``burst`` is None where software paces the cycles.
    """

    rows: int
    inflates: bool
    burst: BurstRoom | None = None


class Encoder(Protocol):
    """Encodes a pattern as blocks of at most ``rows`` vectors."""

    def __call__(self, pattern: Pattern, rows: int, *, inflates: bool) -> Iterator[EncodedBlock]:
        """Return the blocks, in order."""
        ...


@dataclass(frozen=True)
class Order:
    """A command, and the function that takes its answer.

    By the answer to the last command of a block, all cycles before ``done`` have run.
    """

    command: Command
    take: Callable[[bytes], None]
    done: int = 0


@dataclass
class Answers:
    """The results of one run, filled in as answers arrive.

    ``period`` is the time of a cycle as the board set it, in nanoseconds; ``took`` is the time of
    all cycles, in microseconds, 0 where the board keeps the period as set.
    """

    period: float = 0.0
    took: int = 0
    mismatches: list[Mismatch] = field(default_factory=list)
    until_used: dict[int, int] = field(default_factory=dict)
    window: list[tuple[int, int, int, int]] = field(default_factory=list)
    cycles: int = 0
    mismatch_count: int = 0
    signature: int = 0
    gaps: int = 0
    pin_counts: dict[int, int] = field(default_factory=dict)

    def take_timing(self, payload: bytes) -> None:
        """Read the time of a cycle as the board set it."""
        achieved, parts = struct.unpack("<II", payload)
        self.period = achieved / parts

    def take_block(self, payload: bytes, first: int) -> None:
        """Read the answer to a block whose first row is row ``first`` of the pattern."""
        mismatches, untils, words = payload[0], payload[1], payload[2]
        at = 3
        for _ in range(mismatches):
            cycle, row, passed, seen, floating, wrong = MISMATCH.unpack_from(payload, at)
            at += MISMATCH.size
            self.mismatches.append(Mismatch(cycle, row + first, passed, seen, floating, wrong))
        for _ in range(untils):
            row, used = UNTIL_ROW.unpack_from(payload, at)
            at += UNTIL_ROW.size
            self.until_used[row + first] = used
        for _ in range(words):
            cycle, row, _passed, seen, floating = WINDOW_WORD.unpack_from(payload, at)
            at += WINDOW_WORD.size
            self.window.append((row + first, cycle, seen, floating))

    def take_totals(self, payload: bytes) -> None:
        """Read the totals of the run."""
        (
            self.cycles,
            self.mismatch_count,
            self.signature,
            self.gaps,
            self.took,
        ) = TOTALS.unpack_from(payload)
        self.pin_counts = dict(struct.iter_unpack("<BI", payload[TOTALS.size :]))

    def achieved_hz(self, asked_hz: float) -> float:
        """Return the rate: measured where software paces the run, else as the board set it."""
        if self.took:
            return self.cycles * 1e6 / self.took
        return 1e9 / self.period if self.period else asked_hz

    def captured(self) -> CaptureWindow | None:
        """Return the window's words as arrays, or None if no cycle was in it."""
        if not self.window:
            return None
        columns = np.array(self.window, dtype=np.uint32).T
        return CaptureWindow(columns[0], columns[1], columns[2], columns[3])


def timing_order(timing: Timing, answers: Answers) -> Order:
    """Set the time of a cycle."""
    payload = struct.pack("<III", timing.period_ns, timing.settle_ns, timing.sample_ns)
    return Order(Command(protocol.TIMING, payload), answers.take_timing)


def run_orders(
    pattern: Pattern,
    room: Room,
    answers: Answers,
    window: Cycles = NO_CYCLES,
    manner: int = 0,
    encoded: Encoder = shelf.SHELF.encoded,
) -> Iterator[Order]:
    """Run a pattern that drives all pins it should; cycles count from its first row.

    ``manner`` combines ``protocol.GAP_FREE`` and ``protocol.PULSES``; a pattern with pulses has
    the latter in any case.
    """
    manner |= protocol.PULSES if pattern.pulse.any() else 0
    start = Command(protocol.START, struct.pack("<IIB", *window, manner))
    yield Order(start, _nothing)
    done = 0
    for block in encoded(pattern, room.rows, inflates=room.inflates):
        *loads, run = block.commands
        yield from (Order(load, _nothing) for load in loads)
        part = slice(block.first, block.first + block.rows)
        done += int(pattern.repeat[part].sum(dtype=np.int64))
        yield Order(run, _taker(answers, block.first), done)
    yield Order(Command(protocol.TOTALS), answers.take_totals)


def _taker(answers: Answers, first: int) -> Callable[[bytes], None]:
    return lambda payload: answers.take_block(payload, first)


def _nothing(_payload: bytes) -> None:
    """Ignore an answer that only confirms its command."""

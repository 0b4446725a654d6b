"""The agent's commands for one run, and the reading of each answer.

An order is a command with the function that takes its answer, so that a whole run (rate, reset,
vectors, totals) is sent as one stream, in one round trip if all its bytes fit in flight.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol
from harness.board import shelf
from harness.board.capture import Capture, CaptureWindow, Mismatch
from harness.board.encode import CycleByCycle, EncodedBlock, cycle_by_cycle
from harness.board.timing import Timing
from harness.link import Command, Traffic
from harness.table import NO_CYCLES, Cycles, Pattern, Words

MISMATCH = struct.Struct("<IHIIII")
UNTIL_ROW = struct.Struct("<HI")
TOTALS = struct.Struct("<IIIIQ")
WINDOW_WORD = struct.Struct("<IHIII")
NO_TRAFFIC = Traffic()


@dataclass(frozen=True)
class BurstRoom:
    """The limits of a single burst where hardware times cycles in ticks of a clock.

    ``captured`` is the maximum number of cycles read back, ``words`` that of words to the pins.
    """

    clock_hz: int
    captured: int
    words: int

    @property
    def tick_ns(self) -> Fraction:
        """The time of a tick in nanoseconds."""
        return Fraction(1_000_000_000, self.clock_hz)


@dataclass(frozen=True)
class Room:
    """A board's limits: vectors in a block, and its bursts.

    ``burst`` is None where software paces the cycles.
    """

    rows: int
    burst: BurstRoom | None = None


Encoder = Callable[[Pattern, int], Iterator[EncodedBlock]]
"""Encodes a pattern as blocks of at most so many vectors, in order."""


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
    all cycles, in microseconds, 0 where the board keeps the period as set. ``checked`` is the
    CRC-32 over the words of checked blocks, ``promised`` that of those expected, and ``judged``
    whether there are other blocks.
    """

    period: Fraction = Fraction(0)
    took: int = 0
    mismatches: list[Mismatch] = field(default_factory=list)
    until_used: dict[int, int] = field(default_factory=dict)
    window: list[tuple[int, int, int, int]] = field(default_factory=list)
    cycles: int = 0
    mismatch_count: int = 0
    signature: int = 0
    gaps: int = 0
    pin_counts: dict[int, int] = field(default_factory=dict)
    checked: int = 0
    promised: int = 0
    judged: bool = False

    def take_timing(self, payload: bytes) -> None:
        """Read the time of a cycle as the board set it."""
        achieved, parts = struct.unpack("<II", payload)
        self.period = Fraction(achieved, parts)

    def take_block(self, payload: bytes, pattern: Pattern, block: EncodedBlock) -> None:
        """Read the answer to a block of a pattern."""
        first = block.first
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
        if block.promise is None:
            self.judged = True
        elif at < len(payload) or self.checked != self.promised:
            self._take_words(payload[at:], cycle_by_cycle(pattern, first, first + block.rows))
        else:
            self.checked = block.promise
        if block.promise is not None:
            self.promised = block.promise

    def _take_words(self, payload: bytes, cycles: CycleByCycle) -> None:
        """Take the words read in a checked block; the board sends them if one differs."""
        tested = cycles.tested_levels
        if payload:
            seen = np.frombuffer(payload, "<u4", offset=4)
            if len(seen) != len(tested):
                raise ValueError("not one word for each cycle")
            self._compare(int.from_bytes(payload[:4], "little"), seen, cycles)
            tested = seen & cycles.care
        self.checked = zlib.crc32(tested.astype("<u4").tobytes(), self.checked)

    def _compare(self, began: int, seen: Words, cycles: CycleByCycle) -> None:
        """Count all that differ, and keep the first; ``began`` is the block's first cycle."""
        wrong = (seen ^ cycles.expect) & cycles.care
        if not wrong.any():
            raise ValueError("words that match were sent as different")
        passed = np.arange(len(wrong)) - np.searchsorted(cycles.row, cycles.row)
        self.count(began, wrong, cycles.row, passed, seen, np.zeros_like(seen))

    def count(self, began: int, wrong: Words, *columns: NDArray[np.integer]) -> None:
        """Count cycles of which some are wrong, and keep the first; ``began`` is the first cycle.

        ``columns``: the row, its repetition, what was seen, and what floats, in each cycle.
        """
        bad = np.flatnonzero(wrong)
        for k in bad[: protocol.MAX_KEPT - len(self.mismatches)].tolist():
            words = (int(column[k]) for column in (*columns, wrong))
            self.mismatches.append(Mismatch(began + k, *words))
        self.mismatch_count += len(bad)
        octets = np.ascontiguousarray(wrong[bad], "<u4").view(np.uint8).reshape(-1, 4)
        counts = np.unpackbits(octets, axis=1, bitorder="little").sum(axis=0, dtype=np.int64)
        for bit in np.flatnonzero(counts).tolist():
            self._count_pin(bit, int(counts[bit]))

    def _count_pin(self, bit: int, count: int) -> None:
        self.pin_counts[bit] = self.pin_counts.get(bit, 0) + count

    def take_totals(self, payload: bytes) -> None:
        """Read the totals of the run: the board has counted in judged blocks only.

        Raises ValueError if its signature is not that of the words that it reported.
        """
        self.cycles, counted, self.signature, self.gaps, self.took = TOTALS.unpack_from(payload)
        self.mismatch_count += counted
        self.mismatches = self.mismatches[: protocol.MAX_KEPT]
        for bit, count in struct.iter_unpack("<BI", payload[TOTALS.size :]):
            self._count_pin(bit, count)
        self.pin_counts = dict(sorted(self.pin_counts.items()))
        if not self.judged and self.signature != self.checked:
            raise ValueError("the signature is not that of the words")

    def achieved_hz(self, asked_hz: float) -> float:
        """Return the rate: measured where software paces the run, else as the board set it."""
        if self.took:
            return self.cycles * 1e6 / self.took
        return float(1_000_000_000 / self.period) if self.period else asked_hz

    def capture(
        self, achieved_hz: float, exact: bool, seconds: float, wire: Traffic = NO_TRAFFIC
    ) -> Capture:
        """Return the results, with what the session knows of the run."""
        return Capture(
            cycles=self.cycles,
            mismatch_count=self.mismatch_count,
            mismatches=tuple(self.mismatches),
            pin_counts=self.pin_counts,
            signature=self.signature,
            until_used=self.until_used,
            window=self._captured(),
            achieved_hz=achieved_hz,
            exact=exact,
            seconds=seconds,
            wire=wire,
            gaps=self.gaps,
        )

    def _captured(self) -> CaptureWindow | None:
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
    for block in encoded(pattern, room.rows):
        *loads, run = block.commands
        yield from (Order(load, _nothing) for load in loads)
        part = slice(block.first, block.first + block.rows)
        done += int(pattern.repeat[part].sum(dtype=np.int64))
        yield Order(run, _taker(answers, pattern, block), done)
    yield Order(Command(protocol.TOTALS), answers.take_totals)


def _taker(answers: Answers, pattern: Pattern, block: EncodedBlock) -> Callable[[bytes], None]:
    return lambda payload: answers.take_block(payload, pattern, block)


def _nothing(_payload: bytes) -> None:
    """Ignore an answer that only confirms its command."""

"""A session with one board: attach the agent, identify, select, run, leave it as it was found.

Turns patterns into commands and answers into captures. Owns the channel; one thread at a time,
except ``cancel``.
"""

from __future__ import annotations

import json
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace

import numpy as np

from harness.agent import protocol
from harness.agent.bundle import bundle
from harness.agent.engine import AGENT
from harness.board.capture import (
    BoardIdentity,
    Capture,
    CaptureWindow,
    Mismatch,
    RunConditions,
    WireCounters,
)
from harness.board.encode import EncodedBlock, encode_pattern
from harness.board.profile_model import BoardProfile
from harness.board.select import rest_levels, selection
from harness.errors import BoardMisbehaved, Cancelled, LinkError
from harness.link import Channel, Command, Patience, RawRepl, SerialPort
from harness.shuttle import Design, Direction, Shuttle
from harness.table import Pattern, Words

MISMATCH = struct.Struct("<IHIIII")
UNTIL_ROW = struct.Struct("<HI")
WINDOW_WORD = struct.Struct("<IHIII")
READY_SECONDS = 5.0


def open_session(
    url: str, profile: BoardProfile, shuttle: Shuttle, patience: Patience | None = None
) -> Session:
    """Open a port, put the agent on the board and identify it.

    Raises PortUnavailable, BoardSilent, BoardMisbehaved or BoardLost.
    """
    port = SerialPort(url, profile.baud)
    try:
        repl = RawRepl(port)
        repl.enter()
        for text in bundle(profile.backend):
            repl.load(text)
        channel = Channel(port, profile.window, patience)
        repl.start(f"begin(Pins(), {channel.session})")
        channel.wait_for_agent(READY_SECONDS)
        return Session(channel, repl, profile, shuttle)
    except BaseException:
        port.close()
        raise


@dataclass
class _Answers:
    """What the blocks of one run gave, as they arrive."""

    mismatches: list[Mismatch] = field(default_factory=list)
    until_used: dict[int, int] = field(default_factory=dict)
    window: list[tuple[int, int, int, int]] = field(default_factory=list)

    def take(self, payload: bytes, first: int) -> None:
        """Read the answer to a block whose first row is row ``first`` of the pattern."""
        found, untils, words = payload[0], payload[1], payload[2]
        at = 3
        for _ in range(found):
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

    def captured(self) -> CaptureWindow | None:
        """The window's words as arrays, or None if no cycle fell into it."""
        if not self.window:
            return None
        columns = np.array(self.window, dtype=np.uint32).T
        return CaptureWindow(int(columns[0][0]), columns[0], columns[1], columns[2], columns[3])


class Session:
    """A board that answers. ``identity`` says which."""

    def __init__(
        self, channel: Channel, repl: RawRepl, profile: BoardProfile, shuttle: Shuttle
    ) -> None:
        self._channel = channel
        self._repl = repl
        self._profile = profile
        self._shuttle = shuttle
        self._rest_drive, self._rest_enable = rest_levels(shuttle)
        self._hello = self._greet()
        self.identity = self._identify()
        numbers = bytes(profile.pins[pin.name] for pin in shuttle.pins)
        channel.call(protocol.BIND, numbers)

    def select(self, design: Design) -> None:
        """Select a design, with reset held."""
        steps = selection(self._profile.select, design.address, self._shuttle)
        count = len(steps)
        selects = self._shuttle.mask(Direction.SELECT)
        others = self._reset_drive() & ~selects
        drive = np.array([step.drive | others for step in steps], dtype=np.uint32)
        pulse = np.array([step.pulse for step in steps], dtype=np.uint32)
        enable = np.full(count, self._rest_enable, np.uint32)
        with self._abortable():
            self._run_rows(_inputs_only(drive, enable, pulse))
        self._rest_drive = (self._rest_drive & ~selects) | (steps[-1].drive & selects)

    def run(
        self,
        pattern: Pattern,
        conditions: RunConditions,
        *,
        window: tuple[int, int] | None = None,
    ) -> Capture:
        """Run a pattern, reset first; ``window`` is a range of cycles to read back whole.

        At most ``MAX_WINDOW`` cycles come back. Raises a LinkError, or Cancelled.
        """
        with self._abortable():
            return self._run(pattern, conditions, window or (0, 0))

    def _run(self, pattern: Pattern, conditions: RunConditions, window: tuple[int, int]) -> Capture:
        began = time.monotonic()
        before = self._counters()
        achieved = self._set_rate(conditions)
        self._reset(conditions.reset_cycles)
        answers = _Answers()
        totals = self._exchange(pattern, window, answers)
        cycles, bad, crc = struct.unpack_from("<III", totals)
        counts = dict(struct.iter_unpack("<BI", totals[12:]))
        _check_whole(pattern, cycles, answers.until_used)
        return Capture(
            cycles=cycles,
            mismatch_count=bad,
            mismatches=tuple(answers.mismatches),
            pin_counts=counts,
            signature=crc,
            until_used=answers.until_used,
            window=answers.captured(),
            achieved_hz=achieved,
            exact=self.identity.exact,
            seconds=time.monotonic() - began,
            wire=_difference(self._counters(), before),
        )

    def sense(self) -> dict[str, float]:
        """Readings of the board's sensors, by name; empty where it has none."""
        readings: dict[str, float] = json.loads(self._channel.call(protocol.SENSE))
        return readings

    def cancel(self) -> None:
        """Let the ``run`` that is under way end with Cancelled. Any thread may call this."""
        self._channel.cancel()

    def close(self) -> None:
        """Stop the agent and reset the interpreter, so that the board's own program starts."""
        for step in (self._channel.abort, self._say_goodbye, self._repl.leave):
            with suppress(LinkError, Cancelled):
                step()
        self._channel.port.close()

    def _say_goodbye(self) -> None:
        self._channel.call(protocol.BYE)

    def _greet(self) -> dict[str, object]:
        try:
            hello = json.loads(self._channel.call(protocol.HELLO))
        except ValueError as error:
            raise BoardMisbehaved("the agent's greeting cannot be read") from error
        if hello.get("agent") != AGENT or hello.get("protocol") != protocol.VERSION:
            raise BoardMisbehaved(
                f"agent {hello.get('agent')} with protocol {hello.get('protocol')} answers, "
                f"this tool brings agent {AGENT} with protocol {protocol.VERSION}; reset the "
                "board and run again"
            )
        return dict(hello)

    def _identify(self) -> BoardIdentity:
        hello = self._hello
        return BoardIdentity(
            board_serial=str(hello["board"]),
            agent_version=str(hello["agent"]),
            interpreter=str(hello["interpreter"]),
            backend=str(hello["backend"]),
            exact=bool(hello["exact"]),
            heap_free=int(str(hello["heap"])),
        )

    def _set_rate(self, conditions: RunConditions) -> float:
        rate = min(conditions.clock_hz, self._profile.max_rate_hz)
        period = max(1, min(round(1e9 / rate), 0xFFFFFFFF))
        payload = struct.pack("<II", period, round(conditions.settle_us * 1000))
        achieved, parts = struct.unpack("<II", self._channel.call(protocol.TIMING, payload))
        return 1e9 * parts / achieved if achieved else rate

    def _reset(self, cycles: int) -> None:
        if not cycles:
            return
        drive = np.array([self._reset_drive()], dtype=np.uint32)
        enable = np.array([self._rest_enable], dtype=np.uint32)
        pulse = np.array([self._shuttle.mask(Direction.CLOCK)], dtype=np.uint32)
        rows = _inputs_only(drive, enable, pulse)
        self._run_rows(replace(rows, repeat=np.array([cycles], dtype=np.uint32)))

    def _reset_drive(self) -> int:
        return self._rest_drive ^ self._shuttle.mask(Direction.RESET)

    def _run_rows(self, rows: Pattern) -> None:
        self._exchange(rows, (0, 0), _Answers())

    def _exchange(self, pattern: Pattern, window: tuple[int, int], answers: _Answers) -> bytes:
        full = self._with_rest(pattern)
        rows = int(str(self._hello["rows"]))
        blocks = encode_pattern(full, rows, inflates=bool(self._hello["inflate"]))
        firsts: list[int] = []
        last = b""
        sent = _commands(blocks, window, firsts)
        for payload, first in zip(self._channel.exchange(sent), _answer_rows(firsts), strict=False):
            if first >= 0:
                answers.take(payload, first)
            last = payload
        return last

    @contextmanager
    def _abortable(self) -> Iterator[None]:
        """Wherever Cancelled comes up, the board stops too and the session stays usable."""
        try:
            yield
        except Cancelled:
            self._channel.abort()
            raise

    def _with_rest(self, pattern: Pattern) -> Pattern:
        mentioned = 0
        for bus in pattern.signals:
            mentioned |= bus.mask
        enable = np.uint32(self._rest_enable & ~mentioned) & ~pattern.enable
        drive = np.uint32(self._rest_drive) & enable
        return replace(pattern, drive=pattern.drive | drive, enable=pattern.enable | enable)

    def _counters(self) -> WireCounters:
        traffic, link = self._channel.traffic, self._channel.link
        return WireCounters(traffic.sent, traffic.received, link.round_trips, link.resent)


def _commands(
    blocks: Iterator[EncodedBlock], window: tuple[int, int], firsts: list[int]
) -> Iterator[Command]:
    """All commands of a run; ``firsts`` gets, for each, the block's first row or -1."""
    firsts.append(-1)
    yield Command(protocol.START, struct.pack("<II", *window))
    for block in blocks:
        for command in block.commands:
            firsts.append(block.first if command.kind == protocol.BLOCK else -1)
            yield command
    firsts.append(-1)
    yield Command(protocol.TOTALS)


def _answer_rows(firsts: list[int]) -> Iterator[int]:
    at = 0
    while True:
        yield firsts[at]
        at += 1


def _check_whole(pattern: Pattern, cycles: int, until_used: dict[int, int]) -> None:
    """Raise BoardMisbehaved unless the board ran every row as often as it was asked to."""
    plain = int(pattern.repeat[~pattern.until].sum(dtype=np.int64))
    asked = plain + sum(until_used.values())
    if asked & 0xFFFFFFFF != cycles or len(until_used) != int(pattern.until.sum()):
        raise BoardMisbehaved(
            f"the board counts {cycles} cycles where {asked} were asked for; nothing of this run "
            "is kept, run again"
        )


def _inputs_only(drive: Words, enable: Words, pulse: Words) -> Pattern:
    zero = np.zeros_like(drive)
    return Pattern(
        drive=drive,
        enable=enable,
        pulse=pulse,
        expect=zero,
        care=zero,
        highz=zero,
        repeat=np.ones_like(drive),
        until=np.zeros(len(drive), dtype=np.bool_),
        line=np.zeros(len(drive), dtype=np.int32),
        signals=(),
    )


def _difference(after: WireCounters, before: WireCounters) -> WireCounters:
    return WireCounters(
        after.sent - before.sent,
        after.received - before.received,
        after.round_trips - before.round_trips,
        after.resent - before.resent,
    )

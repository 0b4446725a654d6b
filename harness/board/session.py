"""A session with one board: attach the agent, identify, select, run, restore.

Turns patterns into commands and answers into captures. Owns the channel; one thread at a time,
except ``cancel``.
"""

from __future__ import annotations

import json
import struct
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import chain

import numpy as np

from harness.agent import protocol
from harness.agent.backends import Backend, texts
from harness.agent.codec import MIN_ROWS
from harness.agent.compiled import MODULE, compiled
from harness.board.capture import (
    Capture,
    RunConditions,
)
from harness.board.gap_free import check_gap_free
from harness.board.greeting import read_greeting
from harness.board.orders import Answers, Order, run_orders, timing_order
from harness.board.pieces import joined, pieces_of
from harness.board.profile_model import FULL_SCALE, BoardProfile
from harness.board.resting import Resting
from harness.board.startup import Startup, make_startup
from harness.board.timing import Timing, exact_timing, paced_timing
from harness.errors import BoardMisbehaved, BoardSilent, Cancelled, HostMisuse, LinkError
from harness.link import BoardFiles, Channel, Command, Lines, RawRepl, SerialPort, Timeouts
from harness.shuttle import Design, Shuttle
from harness.table import NO_CYCLES, Cycles, Pattern

READY_SECONDS = 5.0
UNREADABLE = (
    "an answer of the board does not fit its command; nothing of this run is kept, run again"
)
Heard = Callable[[int], None]
"""Hears, while a pattern runs, how many of its cycles have run by what the board answered."""

MAX_CYCLES = 0xFFFFFF00
"""Maximum number of cycles of one run: a 32-bit count, with room for a window after the last."""

ENDLESS = 0x7FFFFFFF
"""The greatest number of repetitions of a row; then the clock rests for an instant."""


def _unheard(_cycles: int) -> None:
    """Follow nothing."""


def open_session(
    url: str,
    profile: BoardProfile,
    shuttle: Shuttle,
    timeouts: Timeouts | None = None,
    heard: Heard = _unheard,
) -> Session:
    """Open a port, put the agent on the board and identify it; ``heard`` follows long patterns.

    Raises PortUnavailable, BoardSilent, BoardMisbehaved or BoardLost.
    """
    port = SerialPort(url, profile.baud, lines=Lines(profile.dtr, profile.rts))
    try:
        repl = RawRepl(port)
        repl.enter()
        _load_agent(repl, profile.about)
        channel = Channel(port, profile.in_flight, timeouts)
        _start_agent(repl, channel)
        return Session(channel, repl, profile, shuttle, heard)
    except BaseException:
        port.close()
        raise


def _load_agent(repl: RawRepl, about: Backend) -> None:
    """Load the agent, compiled for the board's interpreter if it can be, else as text."""
    code = compiled(about, repl.bytecode())
    if code is None or not repl.load_compiled(code, MODULE):
        for text in texts(about):
            repl.load(text)


def _start_agent(repl: RawRepl, channel: Channel) -> None:
    """Start the agent, again if it is silent: its start may have been damaged on the wire."""
    for last in (False, False, True):
        try:
            channel.hear(repl.start(f"begin(Pins(), {channel.session})"))
            if channel.wait_for_agent(READY_SECONDS) or last:
                return
        except (BoardMisbehaved, BoardSilent):
            if last:
                raise
        repl.reach_prompt()


class Session:
    """A session with the board that ``identity`` names."""

    def __init__(
        self,
        channel: Channel,
        repl: RawRepl,
        profile: BoardProfile,
        shuttle: Shuttle,
        heard: Heard = _unheard,
    ) -> None:
        self._channel = channel
        self._repl = repl
        self._profile = profile
        self._shuttle = shuttle
        self._heard = heard
        self._resting = Resting(shuttle, profile)
        self.identity, self._room = read_greeting(channel.call(protocol.HELLO))
        self._numbers = bytes(profile.pins[pin.name] for pin in shuttle.pins)
        channel.call(protocol.BIND, self._numbers)
        self._leaving: tuple[Callable[[], None], ...] = (
            channel.abort,
            self._say_goodbye,
            repl.leave,
        )

    def select(self, design: Design) -> None:
        """Select a design, with reset held, at a rate that every chip can follow."""
        rows, slow = self._resting.selection(design)
        with self._abortable():
            timing = timing_order(self._timing(rows, slow), Answers())
            self._perform(chain([timing], run_orders(rows, self._room, Answers())))
        self._resting.hold(rows)

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        """Run a pattern, reset first; ``window`` is a range of cycles to read back whole.

        More than ``MAX_WINDOW`` cycles come back of a pattern without ``until`` rows that may
        pause: it runs in pieces, so its signature differs. Otherwise the first ones come back.
        Raises a LinkError, Cancelled, or TableUnfit before anything is driven.
        """
        with self._abortable():
            return self._run(pattern, conditions, window)

    def _run(self, pattern: Pattern, conditions: RunConditions, window: Cycles) -> Capture:
        _check_countable(pattern)
        manner = protocol.GAP_FREE if conditions.gap_free else 0
        if manner:
            check_gap_free(self._resting.whole(pattern), self._room, self._profile.about)
        began = time.monotonic()
        before = self._channel.traffic
        answers = self._answers(pattern, conditions, window, manner)
        return answers.capture(
            answers.achieved_hz(conditions.clock_hz),
            self.identity.exact,
            time.monotonic() - began,
            self._channel.traffic - before,
        )

    def _answers(
        self, pattern: Pattern, conditions: RunConditions, window: Cycles, manner: int
    ) -> Answers:
        driven = self._resting.whole(pattern)
        long = window[1] - window[0] > protocol.MAX_WINDOW and not (manner or pattern.until.any())
        if long:
            manner = protocol.PULSES if driven.pulse.any() else 0
            pieces = pieces_of(driven, window)
            runs = [(piece.pattern, piece.answers) for piece in pieces]
            orders: Iterator[Order] = chain.from_iterable(
                piece.orders(self._room, manner) for piece in pieces
            )
        else:
            runs = [(driven, Answers())]
            orders = run_orders(driven, self._room, runs[0][1], window, manner)
        timing = timing_order(self._timing(pattern, conditions), runs[0][1])
        self._perform(chain([timing], self._reset_orders(conditions.reset_cycles), orders))
        for part, answers in runs:
            _check_whole(part, answers.cycles, answers.until_used)
            _check_counts(answers)
            _check_places(part, answers, sum(pin.mask for pin in self._shuttle.pins))
        return joined(pieces) if long else runs[0][1]

    def startup(
        self, design: Design, held: Pattern, conditions: RunConditions, key: str
    ) -> Startup:
        """Make what starts a design without a host: selected, reset, then ``held`` clocked on.

        ``held`` has one row; ``key`` is as for ``make_startup``. Nothing is driven or written.
        """
        room = replace(self._room, rows=min(self._room.rows, MIN_ROWS))
        rows, slow = self._resting.selection(design)
        self._resting.hold(rows)
        endless = replace(held, repeat=np.array([ENDLESS], np.uint32))
        orders = chain(
            [timing_order(self._timing(rows, slow), Answers())],
            run_orders(rows, room, Answers()),
            [timing_order(self._timing(held, conditions), Answers())],
            self._reset_orders(conditions.reset_cycles),
            run_orders(self._resting.whole(endless), room, Answers()),
        )
        *commands, clock, _totals = [order.command for order in orders]
        bind = Command(protocol.BIND, self._numbers)
        return make_startup(self._profile.about, [bind, *commands], clock, key)

    def files(self) -> BoardFiles:
        """End the agent and return the board's files; only ``own_program`` or ``close`` follow."""
        if self._say_goodbye in self._leaving:
            self._say_goodbye()
        self._leaving = (self._repl.leave,)
        self._repl.enter()
        return BoardFiles(self._repl)

    def own_program(self, mark: str, seconds: float) -> str:
        """Restart the interpreter; return what the board's own program prints until ``mark``."""
        self._leaving = ()
        return self._repl.restart(mark.encode(), seconds).decode("utf-8", "replace")

    def supply_ma(self) -> float | None:
        """Measure the chip's supply current in mA; None without a sensor. Raises LinkError."""
        sensor = self._profile.supply_sensor
        if sensor is None:
            return None
        reading = self._reading(sensor.pin)
        return None if reading is None else sensor.milliamperes(reading)

    def _reading(self, pin: int) -> int | None:
        """Read an analogue controller pin: 0 to ``FULL_SCALE``, or None."""
        answer = self._channel.call(protocol.SENSE, bytes([pin]))
        try:
            (reading,) = json.loads(answer)
        except (ValueError, TypeError, RecursionError) as error:
            raise BoardMisbehaved("a sensor's answer cannot be read") from error
        if reading is not None and not (type(reading) is int and 0 <= reading <= FULL_SCALE):
            raise BoardMisbehaved(f"a sensor's answer {reading!r} is not a reading")
        return reading

    def cancel(self) -> None:
        """End the current ``run`` with Cancelled. Any thread may call this."""
        self._channel.cancel()

    def close(self) -> None:
        """Stop the agent and reset the interpreter, which starts the board's own program."""
        for step in self._leaving:
            with suppress(LinkError, Cancelled):
                step()
        self._channel.port.close()

    def _say_goodbye(self) -> None:
        self._channel.call(protocol.BYE)

    def _timing(self, pattern: Pattern, conditions: RunConditions) -> Timing:
        if self._room.burst is None:
            return paced_timing(conditions, self._profile)
        return exact_timing(conditions, self._profile, self._room.burst.tick_ns, pattern)

    def _reset_orders(self, cycles: int) -> Iterator[Order]:
        if not cycles:
            return iter(())
        return run_orders(self._resting.reset(cycles), self._room, Answers())

    def _perform(self, orders: Iterable[Order]) -> None:
        """Send orders as one stream and pass each answer to its taker."""
        waiting: deque[Order] = deque()

        def commands() -> Iterator[Command]:
            for order in orders:
                waiting.append(order)
                yield order.command

        for payload in self._channel.exchange(commands()):
            order = waiting.popleft()
            _taken(order.take, payload)
            if order.done:
                self._heard(order.done)

    @contextmanager
    def _abortable(self) -> Iterator[None]:
        """On Cancelled, stop the board too and keep the session usable."""
        try:
            yield
        except Cancelled:
            self._channel.abort()
            raise


def _check_countable(pattern: Pattern) -> None:
    """Raise HostMisuse for a pattern of more cycles than the board can count."""
    most = int(pattern.repeat.sum(dtype=np.int64))
    if most > MAX_CYCLES:
        raise HostMisuse(
            f"the table may run for {most:,} cycles, but one run has at most {MAX_CYCLES:,}; "
            "lower its repeats or split it into several tables"
        )


def _check_counts(answers: Answers) -> None:
    """Raise BoardMisbehaved unless the mismatches listed, counted and given by pin agree."""
    listed, counted = len(answers.mismatches), answers.mismatch_count
    if listed != min(counted, protocol.MAX_KEPT) or bool(counted) != bool(answers.pin_counts):
        raise BoardMisbehaved(
            f"the board counts {counted} mismatches, lists {listed} and names "
            f"{len(answers.pin_counts)} wrong pins; nothing of this run is kept, run again"
        )


def _taken(take: Callable[[bytes], None], payload: bytes) -> None:
    """Pass an answer to its taker; raise BoardMisbehaved if it cannot be read."""
    try:
        take(payload)
    except (struct.error, LookupError, ValueError, ArithmeticError) as error:
        raise BoardMisbehaved(UNREADABLE) from error


def _check_places(pattern: Pattern, answers: Answers, pins: int) -> None:
    """Raise BoardMisbehaved for an answer about rows, or about pins, that are not tested."""
    tested = pattern.tested
    rows = {place[0] for place in answers.window} | {bad.row for bad in answers.mismatches}
    good = (
        all(row < len(pattern) for row in rows)
        and all(bad.wrong for bad in answers.mismatches)
        and not any(bad.wrong & ~int(tested[bad.row]) for bad in answers.mismatches)
        and all(pins >> bit & 1 for bit in answers.pin_counts)
        and answers.until_used.keys() == set(pattern.until.nonzero()[0].tolist())
    )
    if not good:
        raise BoardMisbehaved(UNREADABLE)


def _check_whole(pattern: Pattern, cycles: int, until_used: dict[int, int]) -> None:
    """Raise BoardMisbehaved unless the board ran every row as often as requested."""
    plain = int(pattern.repeat[~pattern.until].sum(dtype=np.int64))
    requested = plain + sum(until_used.values())
    limits = pattern.repeat.tolist()
    if not all(row < len(limits) and 1 <= n <= limits[row] for row, n in until_used.items()):
        raise BoardMisbehaved(UNREADABLE)
    if requested & 0xFFFFFFFF != cycles or len(until_used) != int(pattern.until.sum()):
        raise BoardMisbehaved(
            f"the board counts {cycles} cycles, but {requested} were requested; nothing of this "
            "run is kept, run again"
        )

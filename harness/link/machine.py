"""The host's end of the link as a pure state machine: bytes in, answers out, no I/O, no clock.

Theory of operation: commands are numbered and sent in order, several in flight at once, up to a
limit of bytes. The board does each once and answers each once. All unanswered commands are sent
again, in order, when the board reports a gap or nothing was heard for ``Timeouts.repeat`` seconds;
when nothing was heard for ``Timeouts.give_up`` the link is lost. ``TRANSITIONS`` has every
transition; the diagram in the agent's guide is made from it.

Must not import ``serial``, ``time`` or ``threading``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from harness.agent import protocol
from harness.errors import BoardSilent, HostMisuse
from harness.link.framing import FrameReader, make_frame, pad


class State(Enum):
    """The state of the link."""

    QUIET = "quiet"
    WAITING = "waiting"
    LOST = "lost"


class Event(Enum):
    """What can happen to the link."""

    SUBMIT = "command submitted"
    ANSWER = "answer arrived, more are due"
    LAST_ANSWER = "last answer arrived"
    BUSY = "board reports that it is busy"
    GAP = "board reports a gap"
    SILENCE = "nothing heard for a while"
    TOO_LONG = "nothing heard for too long"


class Action(Enum):
    """What the link does about it."""

    TRANSMIT = "transmit"
    DELIVER = "deliver the answer"
    WAIT_ON = "wait on"
    REPEAT = "repeat unanswered commands"
    IGNORE = "ignore"
    REPORT = "report a silent board"


TRANSITIONS: dict[tuple[State, Event], tuple[State, Action]] = {
    (State.QUIET, Event.SUBMIT): (State.WAITING, Action.TRANSMIT),
    (State.QUIET, Event.BUSY): (State.QUIET, Action.IGNORE),
    (State.QUIET, Event.GAP): (State.QUIET, Action.IGNORE),
    (State.WAITING, Event.SUBMIT): (State.WAITING, Action.TRANSMIT),
    (State.WAITING, Event.ANSWER): (State.WAITING, Action.DELIVER),
    (State.WAITING, Event.LAST_ANSWER): (State.QUIET, Action.DELIVER),
    (State.WAITING, Event.BUSY): (State.WAITING, Action.WAIT_ON),
    (State.WAITING, Event.GAP): (State.WAITING, Action.REPEAT),
    (State.WAITING, Event.SILENCE): (State.WAITING, Action.REPEAT),
    (State.WAITING, Event.TOO_LONG): (State.LOST, Action.REPORT),
}
"""Anything else is a misuse of the link by the host."""


@dataclass(frozen=True)
class Timeouts:
    """Seconds of silence after which unanswered commands are repeated and the link given up."""

    repeat: float = 1.0
    give_up: float = 10.0


@dataclass(frozen=True)
class Answer:
    """The board's answer to command ``ticket``; ``ok`` is False for a fault."""

    ticket: int
    ok: bool
    payload: bytes


@dataclass
class _Sent:
    ticket: int
    answer_size: int
    wire: bytes
    answer: Answer | None = None


class Link:
    """One session's link, with at most ``max_in_flight`` bytes in flight to the board."""

    def __init__(self, session: int, max_in_flight: int, timeouts: Timeouts | None = None) -> None:
        self.session = session
        self.max_in_flight = max_in_flight
        self.timeouts = timeouts or Timeouts()
        self.state = State.QUIET
        self.resent = 0
        self.round_trips = 0
        self.heard = float("-inf")
        self._reader = FrameReader()
        self._queue: deque[_Sent] = deque()
        self._in_flight: deque[_Sent] = deque()
        self._out: list[bytes] = []
        self._next = 0
        self._tried = float("-inf")
        self._turn_ends = -1
        self._ready: list[Answer] = []
        self._actions: dict[Action, Callable[[float], None]] = {
            Action.TRANSMIT: self._transmit,
            Action.DELIVER: self._deliver,
            Action.WAIT_ON: lambda _now: None,
            Action.REPEAT: self._repeat,
            Action.IGNORE: lambda _now: None,
            Action.REPORT: self._report,
        }

    def submit(self, kind: int, payload: bytes, now: float, answer_size: int = 0) -> int:
        """Queue a command; return its ticket. Raises HostMisuse if it is too long.

        ``answer_size`` is that of ``Command``.
        """
        if len(payload) + 3 > protocol.MAX_BODY:
            raise HostMisuse(f"a command of {len(payload)} bytes does not fit in a frame")
        ticket = self._next
        self._next += 1
        told = protocol.announced(kind, len(payload))
        wire = make_frame(self.session, ticket & 0xFF, told, payload)
        self._queue.append(_Sent(ticket, answer_size, wire))
        self._happen(Event.SUBMIT, now)
        return ticket

    def receive(self, data: bytes, now: float) -> list[Answer]:
        """Take bytes from the board; return the answers that they complete, in order."""
        for body in self._reader.feed(data):
            if body[0] == self.session:  # others are from an agent left by another run
                self._hear(body[1], body[2], body[3:], now)
        ready, self._ready = self._ready, []
        return ready

    def outgoing(self) -> bytes:
        """Return the bytes to write now, padded to whole quanta, or none."""
        out, self._out = b"".join(self._out), []
        return pad(out) if out else b""

    def tick(self, now: float) -> None:
        """Let time pass. Raises BoardSilent once nothing was heard for too long."""
        if self.state is State.LOST:
            self._report(now)
        if self.state is not State.WAITING:
            return
        if now - self.heard >= self.timeouts.give_up:
            self._happen(Event.TOO_LONG, now)
        if now - max(self.heard, self._tried) >= self.timeouts.repeat:
            # The length that the board was told may be damaged: it waits for no more than this.
            self._out.append(bytes(protocol.MAX_READ))
            self._happen(Event.SILENCE, now)

    @property
    def deadline(self) -> float:
        """When to call ``tick``, on the clock of ``now``."""
        if self.state is not State.WAITING:
            return float("inf")
        repeat = max(self.heard, self._tried) + self.timeouts.repeat
        return min(repeat, self.heard + self.timeouts.give_up)

    @property
    def backlog(self) -> int:
        """Number of commands waiting for room in flight."""
        return len(self._queue)

    @property
    def damaged(self) -> int:
        """Number of frames from the board that arrived damaged."""
        return self._reader.damaged

    def note_wait(self) -> None:
        """Count a round trip if everything in flight at the last one has been answered."""
        if self._in_flight and self._in_flight[0].ticket > self._turn_ends:
            self._turn_ends = self._in_flight[-1].ticket
            self.round_trips += 1

    def _happen(self, event: Event, now: float) -> None:
        try:
            self.state, action = TRANSITIONS[self.state, event]
        except KeyError:
            raise HostMisuse(f"the link is {self.state.value}: {event.value}") from None
        self._actions[action](now)

    def _hear(self, number: int, kind: int, payload: bytes, now: float) -> None:
        self.heard = now
        if kind == protocol.BUSY:
            self._happen(Event.BUSY, now)
        elif kind == protocol.GAP:
            self._happen(Event.GAP, now)
        else:
            self._match(number, kind, payload, now)

    def _match(self, number: int, kind: int, payload: bytes, now: float) -> None:
        for sent in self._in_flight:
            if sent.ticket & 0xFF == number and sent.answer is None:
                sent.answer = Answer(sent.ticket, kind == protocol.DONE, payload)
                owed = any(s.answer is None for s in self._in_flight) or bool(self._queue)
                self._happen(Event.ANSWER if owed else Event.LAST_ANSWER, now)
                return

    def _transmit(self, now: float) -> None:
        if not self._in_flight:  # silence counts from here: the board had nothing to answer before
            self.heard = max(self.heard, now)
        total = sum(len(sent.wire) for sent in self._in_flight)
        # The board forgets an answer when it takes the command REMEMBER later (agent/server.py);
        # with one fewer in flight it still has the answer to every repeated command.
        due = sum(sent.answer_size for sent in self._in_flight)
        while self._queue and len(self._in_flight) < protocol.REMEMBER - 1:
            due += self._queue[0].answer_size
            if due > protocol.MAX_ANSWERS:  # the board remembers no more
                return
            size = len(self._queue[0].wire)
            if self._in_flight and total + size > self.max_in_flight:  # never hold back a lone one
                return
            total += size
            self._in_flight.append(self._queue.popleft())
            self._out.append(self._in_flight[-1].wire)

    def _deliver(self, now: float) -> None:
        while self._in_flight and (answer := self._in_flight[0].answer) is not None:
            self._in_flight.popleft()
            self._ready.append(answer)
        self._transmit(now)

    def _repeat(self, now: float) -> None:
        self._tried = now
        # All, in order: after a gap the board takes nothing, and it answers those that it has done
        # from its memory.
        for sent in self._in_flight:
            if sent.answer is None:
                self.resent += 1
                self._out.append(sent.wire)

    def _report(self, now: float) -> None:
        damage = ""
        if self.damaged:
            counts = f"damaged frames: {self.damaged}, repeated commands: {self.resent}"
            damage = f"the link corrupts data ({counts}); "
        raise BoardSilent(
            f"the board has not answered for {now - self.heard:.0f} s; {damage}"
            "check the cable and that no other program uses the port, then run again"
        )

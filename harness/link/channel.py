"""Joins the pure link to a port: writes its output, feeds it what arrives.

One thread owns a channel; only ``cancel`` may be called from another.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import astuple, dataclass
from operator import sub

from harness.agent import protocol
from harness.errors import BoardMisbehaved, Cancelled, HostMisuse, ModelMissing
from harness.link.machine import Answer, Link, Timeouts
from harness.link.port import Port

POLL_SECONDS = 0.1
AHEAD = 4
"""Commands queued beyond those in flight, so that the link never waits for the encoder."""


@dataclass(frozen=True)
class Command:
    """A command for the board: a kind of the protocol and a payload.

    ``answer_size`` is the maximum number of bytes of words, and of rows that waited, in its answer.
    """

    kind: int
    payload: bytes = b""
    answer_size: int = 0


@dataclass(frozen=True)
class Traffic:
    """Counts of a link: bytes each way, waits for an answer, commands sent again."""

    sent: int = 0
    received: int = 0
    round_trips: int = 0
    resent: int = 0

    def __sub__(self, before: Traffic) -> Traffic:
        """The traffic since ``before``."""
        return Traffic(*map(sub, astuple(self), astuple(before)))


class Channel:
    """Commands out, answers in, over one port."""

    def __init__(
        self,
        port: Port,
        max_in_flight: int,
        timeouts: Timeouts | None = None,
        session: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.port = port
        self._clock = clock
        self.session = session or 1 + secrets.randbelow(255)
        self.link = Link(self.session, max_in_flight, timeouts)
        self._sent = self._received = 0
        self._cancelled = threading.Event()

    @property
    def traffic(self) -> Traffic:
        """All traffic so far."""
        return Traffic(self._sent, self._received, self.link.round_trips, self.link.resent)

    def cancel(self) -> None:
        """End the running exchange with Cancelled. Any thread may call this."""
        self._cancelled.set()

    def hear(self, data: bytes) -> None:
        """Take bytes read from the port before the channel owned it."""
        self.link.receive(data, self._clock())

    def wait_for_agent(self, seconds: float) -> bool:
        """Wait at most ``seconds`` until the agent is heard; return whether it was."""
        end = self._clock() + seconds
        while self._clock() < end and self.link.heard == float("-inf"):
            self._read(min(POLL_SECONDS, max(end - self._clock(), 0.0)))
        return self.link.heard != float("-inf")

    def call(self, kind: int, payload: bytes = b"") -> bytes:
        """Send one command and return the payload of its answer."""
        (answer,) = self.exchange([Command(kind, payload)])
        return answer

    def exchange(self, commands: Iterable[Command]) -> Iterator[bytes]:
        """Send commands, several in flight at once; yield their answers in order.

        Late answers to an earlier exchange are dropped. Raises BoardSilent, BoardLost,
        BoardMisbehaved (a fault that the board reports), HostMisuse (the board refused the
        command) or Cancelled.
        """
        waiting = iter(commands)
        due: set[int] = set()
        exhausted = False
        while True:
            while not exhausted and self.link.backlog < AHEAD:
                command = next(waiting, None)
                if command is None:
                    exhausted = True
                    break
                now = self._clock()
                due.add(self.link.submit(command.kind, command.payload, now, command.answer_size))
            self._flush()
            if exhausted and not due:
                return
            for answer in self._wait():
                if answer.ticket in due:
                    due.remove(answer.ticket)
                    yield self._accept(answer)

    def abort(self) -> None:
        """Stop the board's current work and wait until it confirms; drop all answers."""
        self._cancelled.clear()
        self.link.submit(protocol.ABORT, b"", self._clock())
        self._flush()
        while self.link.deadline != float("inf"):
            self._wait()

    def _wait(self) -> list[Answer]:
        if self._cancelled.is_set():
            raise Cancelled("stopped")
        self.link.note_wait()
        now = self._clock()
        answers = self._read(max(0.0, min(POLL_SECONDS, self.link.deadline - now)))
        self.link.tick(self._clock())
        self._flush()
        return answers

    def _read(self, timeout: float) -> list[Answer]:
        data = self.port.read(timeout)
        self._received += len(data)
        return self.link.receive(data, self._clock())

    def _flush(self) -> None:
        out = self.link.outgoing()
        if out:
            self.port.write(out)
            self._sent += len(out)

    def _accept(self, answer: Answer) -> bytes:
        if answer.ok:
            return answer.payload
        text = answer.payload.decode("utf-8", "replace")
        if text == "out of memory":
            raise BoardMisbehaved(
                "the board's interpreter ran out of memory; reset the board, and take large "
                "modules out of its boot program"
            )
        kind, _, why = text.partition(": ")  # the kinds are part of the protocol
        if kind == "refused":
            raise HostMisuse(f"the board refused a command: {why}")
        if kind == "no model":
            raise ModelMissing(f"the model of the chip cannot be evaluated: {why}")
        raise BoardMisbehaved(f"the board reports a fault: {text}")

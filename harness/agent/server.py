"""Speaks the protocol on the board: takes frames, does each command once, answers, remembers.

It has no timers: the host repeats what the wire loses.
"""

from __future__ import annotations

from .engine import Aborted, Engine, Refused
from .faces import Bytes, PortFace
from .protocol import (
    ABORT,
    ANYONE,
    BUSY,
    BYE,
    DONE,
    FAULT,
    GAP,
    KIND,
    MAX_ANSWERS,
    REMEMBER,
    Deframer,
    frame,
)

LONG = 256
"""Bytes of an answer that memory does not hold many times; only a block's is longer."""
MAX_HELD = MAX_ANSWERS + 4096
"""Maximum number of bytes of long answers remembered: lists and frames take some too."""


class Server:
    """One session with one host."""

    def __init__(self, session: int, engine: Engine, port: PortFace) -> None:
        self.session = session
        self.engine = engine
        self.port = port
        self.deframer = Deframer()
        self.expected = 0
        self.answers = [b""] * 256
        self.long: list[int] = []
        self.waiting: list[bytes] = []
        self.closed = False
        self.gap_sent = False
        engine.look_up = self.look_up

    def serve(self) -> None:
        """Work until the host says goodbye."""
        self.port.write(frame(self.session, 0, BUSY, b""))
        while not self.closed:
            self.step()

    def step(self) -> None:
        """Wait for bytes; do the commands that they complete, and those that arrive meanwhile."""
        frames = self.deframer
        frames.begin(self.port.chunk, self.port.read(frames.wanted()))
        while not self.closed and (size := frames.next()):
            body = frames.view[:size]
            frames.turn()
            self.take(body)
        while self.waiting and not self.closed:
            self.take(self.waiting.pop(0))

    def look_up(self) -> None:
        """Between two parts of a burst, tell the host that work goes on, and obey an ABORT."""
        if not self.port.overdue():
            return
        self.port.write(frame(self.session, self.expected, BUSY, b""))
        frames = self.deframer
        self.waiting += frames.rest()
        while self.port.ready():
            self.waiting += frames.feed(self.port.chunk, self.port.read(frames.wanted()))
        for body in self.waiting:
            if self.is_goodbye(body) or (body[0] == self.session and body[2] & KIND == ABORT):
                raise Aborted

    def is_goodbye(self, body: Bytes) -> bool:
        """Whether this is the BYE that every agent obeys: its own host may have died."""
        return body[0] == ANYONE and body[2] & KIND == BYE

    def take(self, body: Bytes) -> None:
        """Do a command that is next, answer one that was done, report a gap otherwise."""
        number = body[1]
        if body[0] != self.session:
            self.closed = self.is_goodbye(body)
        elif number == self.expected:
            self.gap_sent = False
            self.forget((number - REMEMBER) & 255)
            answer = self.perform(number, body[2] & KIND, memoryview(body)[3:])
            self.answers[number] = answer
            if len(answer) > LONG:
                self.long.append(number)
            self.expected = (number + 1) & 255
            self.port.write(answer)
        elif self.answers[number]:
            self.port.write(self.answers[number])
        elif not self.gap_sent:
            self.gap_sent = True
            self.port.write(frame(self.session, self.expected, GAP, b""))

    def forget(self, number: int) -> None:
        """Forget the answer to a command, and long ones beyond those that may be in flight."""
        self.answers[number] = b""
        if not self.long:
            return
        if number in self.long:
            self.long.remove(number)
        while sum([len(self.answers[number]) for number in self.long]) > MAX_HELD:
            self.answers[self.long.pop(0)] = b""

    def perform(self, number: int, kind: int, payload: bytes | memoryview) -> bytes:
        """Do a command and return its answer."""
        try:
            if kind == BYE:
                self.closed = True
                return frame(self.session, number, DONE, b"")
            if kind == ABORT:
                return frame(self.session, number, DONE, b"")
            self.port.begin()
            return frame(self.session, number, DONE, self.engine.command(kind, payload))
        except Refused as error:
            return frame(self.session, number, FAULT, error.kind + b": " + str(error).encode())
        except Aborted:
            return frame(self.session, number, FAULT, b"aborted")
        except MemoryError:
            return frame(self.session, number, FAULT, b"out of memory")
        except Exception as error:  # noqa: BLE001  the host must hear of any exception
            return frame(self.session, number, FAULT, b"agent: " + repr(error).encode())

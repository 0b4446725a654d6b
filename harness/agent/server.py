"""Speaks the protocol on the board: takes frames, does each command once, answers, remembers.

It has no timers: the host repeats what the wire loses.
"""

from __future__ import annotations

from .engine import Aborted, Engine, Refused
from .faces import PortFace
from .protocol import (
    ABORT,
    ANYONE,
    BUSY,
    BYE,
    DONE,
    FAULT,
    GAP,
    REMEMBER,
    Deframer,
    frame,
)


class Server:
    """One session with one host."""

    def __init__(self, session: int, engine: Engine, port: PortFace) -> None:
        self.session = session
        self.engine = engine
        self.port = port
        self.deframer = Deframer()
        self.expected = 0
        self.answers = [b""] * 256
        self.waiting: list[bytes] = []
        self.closed = False
        self.gap_sent = False
        engine.look_up = self.look_up

    def serve(self) -> None:
        """Work until the host says goodbye."""
        self.port.write(frame(self.session, 0, BUSY, b""))
        while not self.closed:
            self.listen()
            while self.waiting and not self.closed:
                self.take(self.waiting.pop(0))

    def listen(self) -> None:
        """Wait for bytes and queue the frames that they complete."""
        count = self.port.read()
        for body in self.deframer.feed(self.port.chunk, count):
            if body[0] == self.session or (body[0] == ANYONE and body[2] == BYE):
                self.waiting.append(body)

    def look_up(self) -> None:
        """Between two parts of a burst, tell the host that work goes on, and obey an ABORT."""
        if not self.port.overdue():
            return
        self.port.write(frame(self.session, self.expected, BUSY, b""))
        while self.port.ready():
            self.listen()
        for body in self.waiting:
            if body[2] == ABORT:
                raise Aborted

    def take(self, body: bytes) -> None:
        """Do a command that is next, answer one that was done, report a gap otherwise."""
        number = body[1]
        if body[0] == ANYONE:
            self.closed = True
        elif number == self.expected:
            self.gap_sent = False
            self.answers[(number - REMEMBER) & 255] = b""
            answer = self.perform(number, body[2], memoryview(body)[3:])
            self.answers[number] = answer
            self.expected = (number + 1) & 255
            self.port.write(answer)
        elif self.answers[number]:
            self.port.write(self.answers[number])
        elif not self.gap_sent:
            self.gap_sent = True
            self.port.write(frame(self.session, self.expected, GAP, b""))

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

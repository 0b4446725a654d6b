"""Attacks by a board: one that answers nonsense, at the prompt and as an agent.

An agent's frames are rebuilt with fitting checksums, so that its lies get through. A board that
lies about the chip in one voice cannot be found out; so what counts here is that every answer ends
in a verdict or in an error of ours, in finite time.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from unittest import mock

from harness.board import Session
from harness.errors import HarnessError
from harness.judge import Case, RetryPolicy, examine
from harness.link import Channel, RawRepl
from harness.link.framing import FrameReader, make_frame
from harness.shuttle import TableSpec
from tests.attack.attack import Attack, Wrong
from tests.attack.damage import BYTES, TEXT, damaged
from tests.unit.agent.tern import (
    SHUTTLE,
    TernChip,
    TernPins,
    checked_pattern,
    design,
    random_pattern,
)
from tests.unit.board import joined_session
from tests.unit.link.joined import Clock, JoinedBoard, Wire

PROMPT = b"raw REPL; CTRL-B to exit\r\n>"
SCRIPTS = (
    b"", b" ", b"\r\n", b"\x04", b">", b"OK", b"ra\x01>", b"R\x00", b"R\x01", b"R\x01\x00\x00",
    b"R\x01\x80\x00\x01", b"R\x01\xff\xff", b"\x01", b"\x04\x04>", b"\x04 \r\n\x04>",
    b"\x04Traceback\r\n\x04>", b"0\r\n\x04\x04>", b"\x04MemoryError\x04>", b"\xff\xfe\x00",
    b"\x04\n\x04>", PROMPT, b"x" * 5000, b"0\x04\x04>" * 50, b"\x04\x85\xe2\x80\xa8\x04>",
)  # fmt: skip


class _Silly:
    """A port whose answers come from a list, again and again; time passes with each read."""

    def __init__(self, answers: list[bytes], clock: Clock) -> None:
        self.answers, self.clock, self.at = answers, clock, 0

    def write(self, data: bytes) -> None:  # noqa: ARG002 - it does not listen
        self.clock.now += 0.001

    def read(self, timeout: float) -> bytes:
        self.clock.now += 0.05 if timeout < 1 else 0.2
        self.at += 1
        return self.answers[self.at % len(self.answers)]

    def close(self) -> None:
        pass


@contextmanager
def _hurried(clock: Clock) -> Iterator[None]:
    """Let the upload's time be that of the clock."""
    with (
        mock.patch("time.monotonic", clock),
        mock.patch("time.sleep", lambda seconds: setattr(clock, "now", clock.now + seconds)),
    ):
        yield


@dataclass(frozen=True)
class Prompts:
    """Boards that answer the upload from a script."""

    def make(self, random: Random) -> bytes:
        answers = [random.choice(SCRIPTS) for _ in range(random.randint(1, 12))]
        if random.random() < 0.7:
            answers.insert(0, PROMPT)
        if random.random() < 0.3:
            answers = [damaged(answer, random, BYTES) for answer in answers]
        return json.dumps([answer.hex() for answer in answers]).encode("ascii")

    def judge(self, case: bytes) -> str:
        clock = Clock()
        answers = [bytes.fromhex(answer) for answer in json.loads(case)]
        repl = RawRepl(_Silly(answers, clock))
        with _hurried(clock):
            try:
                repl.enter()
                repl.load("x = 1\n" * 400)
                repl.start("begin(Pins(), 7)")
            except HarnessError as error:
                if not str(error).strip():
                    raise Wrong("an error without a word") from error
                return type(error).__name__
        return "loaded"


@dataclass
class _Lies(Wire):
    """A wire behind which payloads are damaged and framed again."""

    rate: float = 0.0

    def carry(self, data: bytes) -> bytes:
        told = b""
        for body in FrameReader().feed(data):
            payload = body[3:]
            if self.random.random() < self.rate:
                kinds = TEXT if payload[:1] in {b"{", b"["} else BYTES
                payload = damaged(payload, self.random, kinds)[:4000]
            told += make_frame(body[0], body[1], body[2], payload)
        return told


@dataclass(frozen=True)
class Liars:
    """Agents that lie."""

    def make(self, random: Random) -> bytes:
        return json.dumps([random.randrange(1 << 30), random.choice((0.02, 0.1, 0.5))]).encode()

    def judge(self, case: bytes) -> str:
        seed, rate = json.loads(case)
        spec = TableSpec("t", Path("t.csv"), 50_000.0, reset_cycles=1)
        draw = checked_pattern if seed % 2 else random_pattern
        pattern = draw(seed % 1000, 20, wrong_rate=0.1)
        board = JoinedBoard(TernPins(TernChip()), Clock(), seed=seed)
        board.to_host = _Lies(Random(seed), rate=rate)
        channel = Channel(board, 2048, session=7, clock=board.clock)
        try:
            channel.wait_for_agent(1.0)
            profile = joined_session.profile(joined_session.TWO_PINS)
            session = Session(channel, RawRepl(board), profile, SHUTTLE)
            session.select(design(0))
            session.supply_ma()
        except HarnessError as error:
            return type(error).__name__
        case_ = Case("A1", "T-01", "B-01", SHUTTLE, design(0), spec, pattern)
        return f"verdict {examine(session, case_, RetryPolicy()).outcome.verdict}"


def prompts(folder: Path) -> Attack:
    """Hostile prompts."""
    return Prompts()


def liars(folder: Path) -> Attack:
    """Hostile agents."""
    return Liars()

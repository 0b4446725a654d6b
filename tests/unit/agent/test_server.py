"""The server: each command is done once and answered as often as it is asked."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from random import Random

import pytest

from harness.agent import protocol
from harness.agent.engine import Engine
from harness.agent.protocol import Deframer, frame
from harness.agent.server import Server
from tests.unit.agent.tern import TernChip, TernPins
from tests.unit.link.joined import AgentPort

SESSION = 5
START = struct.pack("<IIB", 0, 0, 0)


class Desk:
    """A server with its port open on the table."""

    def __init__(self) -> None:
        self.pins = TernPins(TernChip())
        self.port = AgentPort(Random(1))
        self.engine = Engine(self.pins, 32)
        self.server = Server(SESSION, self.engine, self.port)
        self.done: list[int] = []
        command = self.engine.command

        def counted(kind: int, payload: bytes | memoryview) -> bytes:
            self.done.append(kind)
            return command(kind, payload)

        self.engine.command = counted  # type: ignore[method-assign]

    def tell(self, number: int, kind: int, payload: bytes = b"", session: int = SESSION) -> None:
        self.port.inbox += frame(session, number, kind, payload)

    def hear(self) -> list[tuple[int, int, bytes]]:
        """Let the server work; return number, kind and payload of its frames."""
        while self.port.inbox and not self.server.closed:
            self.server.step()
        said = Deframer(4000).feed(self.port.outbox, len(self.port.outbox))
        self.port.outbox.clear()
        assert all(body[0] == SESSION for body in said)
        return [(body[1], body[2], body[3:]) for body in said]


def test_commands_are_done_in_order_and_answered() -> None:
    desk = Desk()
    desk.tell(0, protocol.START, START)
    desk.tell(1, protocol.SENSE)
    assert desk.hear() == [
        (0, protocol.DONE, b""),
        (1, protocol.DONE, b"[]"),
    ]


def test_a_repeated_command_is_answered_again_but_not_done_again() -> None:
    desk = Desk()
    for _ in range(3):
        desk.tell(0, protocol.LOAD, b"abc")
    assert desk.hear() == [(0, protocol.DONE, b"")] * 3
    assert desk.done == [protocol.LOAD]
    assert desk.engine.loaded == 3


def test_a_gap_is_reported_once_and_filled_in_order() -> None:
    desk = Desk()
    desk.tell(1, protocol.SENSE)
    desk.tell(2, protocol.START, START)
    assert desk.hear() == [(0, protocol.GAP, b"")]
    for number, kind in enumerate((protocol.TOTALS, protocol.SENSE, protocol.TOTALS)):
        desk.tell(number, kind)
    assert [number for number, _, _ in desk.hear()] == [0, 1, 2]
    assert desk.done == [protocol.TOTALS, protocol.SENSE, protocol.TOTALS]


def test_every_new_gap_is_reported() -> None:
    desk = Desk()
    desk.tell(1, protocol.SENSE)
    desk.tell(0, protocol.SENSE)
    desk.tell(2, protocol.SENSE)
    assert [(number, kind) for number, kind, _ in desk.hear()] == [
        (0, protocol.GAP),
        (0, protocol.DONE),
        (1, protocol.GAP),
    ]


def test_a_command_that_failed_is_not_tried_again_when_repeated() -> None:
    desk = Desk()
    desk.tell(0, protocol.TIMING, b"x")
    desk.tell(0, protocol.TIMING, b"x")
    answers = desk.hear()
    assert answers[0] == answers[1]
    assert answers[0][1] == protocol.FAULT
    assert desk.done == [protocol.TIMING]


def test_as_many_answers_are_remembered_as_may_be_in_flight_through_many_numbers() -> None:
    desk = Desk()
    for number in range(600):
        desk.tell(number & 255, protocol.SENSE)
    desk.hear()
    last = 599
    for back in range(protocol.REMEMBER):
        desk.tell((last - back) & 255, protocol.SENSE)
        assert desk.hear() == [((last - back) & 255, protocol.DONE, b"[]")]
    desk.tell((last - protocol.REMEMBER) & 255, protocol.SENSE)
    assert desk.hear() == [((last + 1) & 255, protocol.GAP, b"")]
    assert len(desk.done) == 600


def test_long_answers_are_remembered_of_as_many_blocks_as_may_be_in_flight() -> None:
    desk = Desk()
    seen = bytes(4 * 512)

    def differs(kind: int, payload: bytes | memoryview) -> bytes:
        return bytes(payload) + seen if kind == protocol.BLOCK else b""

    desk.engine.command = differs  # type: ignore[method-assign]
    for number in range(300):
        desk.tell(
            number & 255, protocol.BLOCK if number % 2 else protocol.LOAD, bytes((number % 7,))
        )
    desk.hear()
    held = [len(answer) for answer in desk.server.answers if len(answer) > len(seen)]
    assert protocol.MAX_ANSWERS <= sum(held) <= protocol.MAX_ANSWERS + 4096 + held[0]
    for number in range(299, 299 - 2 * protocol.MAX_ANSWERS // len(seen), -2):
        desk.tell(number & 255, protocol.BLOCK)
        assert desk.hear() == [(number & 255, protocol.DONE, bytes((number % 7,)) + seen)]


def test_another_hosts_frames_are_ignored() -> None:
    desk = Desk()
    desk.tell(0, protocol.SENSE, session=SESSION + 1)
    desk.tell(0, protocol.SENSE, session=protocol.ANYONE)
    assert desk.hear() == []
    assert desk.done == []


@pytest.mark.parametrize("session", [SESSION, protocol.ANYONE])
def test_a_goodbye_ends_the_server(session: int) -> None:
    desk = Desk()
    desk.tell(0, protocol.BYE, session=session)
    desk.tell(1, protocol.SENSE)
    desk.hear()
    assert desk.server.closed
    assert desk.done == []


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (MemoryError(), b"out of memory"),
        (OSError(5, "broken pin"), b"agent: OSError(5, 'broken pin')"),
        (IndexError("row"), b"agent: IndexError('row')"),
    ],
)
def test_any_error_on_the_board_is_reported(error: Exception, text: bytes) -> None:
    desk = Desk()

    def broken(numbers: Sequence[int]) -> list[int | None]:
        raise error

    desk.pins.sense = broken  # type: ignore[method-assign]
    desk.tell(0, protocol.SENSE)
    assert desk.hear() == [(0, protocol.FAULT, text)]


def test_a_long_burst_says_that_it_is_busy_and_can_be_aborted() -> None:
    desk = Desk()
    desk.port.slow = 1.0
    desk.tell(0, protocol.START, START)
    desk.tell(1, protocol.LOAD, bytes((protocol.WORDS, *[0] * 24, 20, 0, 0, 0)))
    desk.tell(2, protocol.BLOCK, struct.pack("<BH", protocol.REPEATS, 1))
    desk.tell(3, protocol.ABORT)
    said = desk.hear()
    assert [entry for entry in said if entry[1] != protocol.BUSY] == [
        (0, protocol.DONE, b""),
        (1, protocol.DONE, b""),
        (2, protocol.FAULT, b"aborted"),
        (3, protocol.DONE, b""),
    ]
    assert (2, protocol.BUSY, b"") in said
    assert desk.engine.cycle < 8


@pytest.mark.parametrize("session", [SESSION, protocol.ANYONE])
def test_only_an_abort_of_this_host_or_a_goodbye_of_any_ends_a_long_burst(session: int) -> None:
    """A host that died in a run leaves a board that the next one need not wait for."""
    desk = Desk()
    desk.port.slow = 1.0
    desk.tell(0, protocol.LOAD, bytes((protocol.WORDS, *[0] * 24, 20, 0, 0, 0)))
    desk.tell(1, protocol.BLOCK, struct.pack("<BH", protocol.REPEATS, 1))
    desk.tell(9, protocol.ABORT, session=SESSION + 1)
    desk.tell(0, protocol.BYE, session=session)
    said = [entry for entry in desk.hear() if entry[1] == protocol.FAULT]
    left = session == protocol.ANYONE
    assert said == [(1, protocol.FAULT, b"aborted")] * left
    assert desk.server.closed == left
    assert (desk.engine.cycle < 20) == left


def test_a_command_may_use_its_payload_while_others_arrive() -> None:
    desk = Desk()
    desk.port.slow = 1.0
    used = []

    def slow(kind: int, payload: bytes | memoryview) -> bytes:
        desk.server.look_up()
        used.append(bytes(payload))
        return b""

    desk.engine.command = slow  # type: ignore[method-assign]
    payloads = [bytes([number] * 40) for number in range(5)]
    for number, payload in enumerate(payloads):
        desk.tell(number, protocol.SENSE, payload)
    desk.hear()
    assert used == payloads


def test_serve_announces_itself_and_ends_with_goodbye() -> None:
    desk = Desk()
    desk.tell(0, protocol.BYE)
    desk.server.serve()
    assert desk.hear() == [(0, protocol.BUSY, b""), (0, protocol.DONE, b"")]

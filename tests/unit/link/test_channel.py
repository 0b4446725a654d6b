"""The channel over the joined board: answers in order, faults as errors, cancelling."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator

import pytest

from harness.agent import protocol
from harness.errors import BoardMisbehaved, BoardSilent, Cancelled, HostMisuse
from harness.link import Channel, Command
from tests.unit.agent.tern import TernChip, TernPins
from tests.unit.link.joined import Clock, Fault, JoinedBoard

SENSE = Command(protocol.SENSE)
REFUSED = Command(15)
BROKEN = Command(protocol.TIMING, b"too short")


def joined(seed: int = 0) -> tuple[Channel, JoinedBoard]:
    clock = Clock()
    board = JoinedBoard(TernPins(TernChip()), clock, seed=seed)
    return Channel(board, 2048, session=7, clock=clock), board


def test_answers_come_in_the_order_of_the_commands() -> None:
    channel, _ = joined()
    commands = [SENSE, Command(protocol.TIMING, struct.pack("<III", 500, 0, 0)), SENSE] * 20
    answers = list(channel.exchange(commands))
    assert answers[1] == struct.pack("<II", 500, 1)
    assert [json.loads(answer) for answer in answers[::3]] == [[]] * 20
    assert channel.link.resent == 0


def test_the_agent_is_heard_when_it_starts() -> None:
    channel, _ = joined()
    assert channel.wait_for_agent(1.0)
    assert channel.link.heard > 0


def test_the_wait_for_a_silent_agent_ends() -> None:
    channel, board = joined()
    board.agent_port.outbox.clear()
    before = board.clock.now
    assert not channel.wait_for_agent(2.0)
    assert 2.0 <= board.clock.now - before < 2.5


@pytest.mark.parametrize(
    ("command", "kind", "text"),
    [
        (REFUSED, HostMisuse, "the board refused a command: unknown command 15"),
        (
            Command(protocol.BLOCK, struct.pack("<BH", 0, 9999)),
            HostMisuse,
            "the board refused a command: block of 9999 vectors, room for 64",
        ),
    ],
)
def test_what_the_board_refuses_is_a_misuse(
    command: Command, kind: type[Exception], text: str
) -> None:
    channel, _ = joined()
    with pytest.raises(kind) as caught:
        channel.call(command.kind, command.payload)
    assert str(caught.value) == text


def test_an_exception_on_the_board_is_reported_with_its_text() -> None:
    channel, _ = joined()
    with pytest.raises(BoardMisbehaved) as caught:
        channel.call(BROKEN.kind, BROKEN.payload)
    assert str(caught.value).startswith("the board reports a fault: agent: error(")


def test_memory_that_runs_out_on_the_board_has_an_error_of_its_own() -> None:
    channel, board = joined()

    def greedy(payload: bytes | memoryview) -> bytes:
        raise MemoryError

    board.engine.timing = greedy  # type: ignore[method-assign]
    with pytest.raises(BoardMisbehaved) as caught:
        channel.call(protocol.TIMING, bytes(12))
    assert str(caught.value) == (
        "the board's interpreter ran out of memory; reset the board, and take large modules "
        "out of its boot program"
    )


@pytest.mark.parametrize("bad", [REFUSED, BROKEN])
def test_answers_to_what_an_error_left_behind_are_not_taken_for_later_ones(bad: Command) -> None:
    channel, _ = joined()
    hello = Command(protocol.HELLO)
    with pytest.raises((HostMisuse, BoardMisbehaved)):
        list(channel.exchange([SENSE, bad, *[hello] * 9]))
    for _ in range(3):
        assert json.loads(channel.call(protocol.SENSE)) == []


def test_answers_to_an_exchange_left_early_are_not_taken_for_later_ones() -> None:
    channel, _ = joined()
    next(channel.exchange([Command(protocol.HELLO)] * 9))
    assert json.loads(channel.call(protocol.SENSE)) == []


def test_a_cut_wire_is_a_silent_board() -> None:
    channel, board = joined()
    board.to_board.plan((ahead, Fault.DROP) for ahead in range(100_000))
    with pytest.raises(BoardSilent):
        channel.call(protocol.SENSE)
    with pytest.raises(HostMisuse, match="the link is lost: command submitted"):
        channel.call(protocol.SENSE)


def test_cancel_ends_an_exchange_and_abort_leaves_the_link_usable() -> None:
    channel, _ = joined()

    def endless() -> Iterator[Command]:
        while True:
            yield SENSE

    answers = channel.exchange(endless())
    next(answers)
    channel.cancel()
    with pytest.raises(Cancelled, match=r"^stopped$"):
        list(answers)
    channel.abort()
    assert json.loads(channel.call(protocol.SENSE)) == []


def test_traffic_is_counted_in_bytes() -> None:
    channel, board = joined()
    channel.call(protocol.SENSE)
    assert channel.traffic.sent == board.to_board.carried == protocol.QUANTUM
    assert channel.traffic.received == board.to_host.carried


def test_a_session_number_is_drawn_if_none_is_given() -> None:
    board = JoinedBoard(TernPins(TernChip()), Clock())
    assert all(1 <= Channel(board, 2048).session <= 255 for _ in range(300))


class Deaf:
    """A port that never delivers anything; waiting moves the clock."""

    def __init__(self) -> None:
        self.now = 0.0

    def read(self, timeout: float) -> bytes:
        self.now += max(timeout, 0.01)
        return b""

    def write(self, data: bytes) -> None:
        pass

    def close(self) -> None:
        pass


def test_a_lost_link_ends_every_later_exchange_at_once_even_with_commands_queued() -> None:
    port = Deaf()
    channel = Channel(port, 256, session=7, clock=lambda: port.now)
    many = [Command(protocol.SENSE, bytes(200))] * 20
    with pytest.raises(BoardSilent):
        list(channel.exchange(many))
    lost = port.now
    with pytest.raises(BoardSilent):
        list(channel.exchange(many))
    assert port.now < lost + 1.0

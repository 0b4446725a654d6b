"""The pure link: its table, its numbers and its timeouts, without a port or a clock."""

from __future__ import annotations

import itertools

import pytest

from harness.agent import protocol
from harness.errors import BoardSilent, HostMisuse
from harness.link.framing import FrameReader, make_frame
from harness.link.machine import TRANSITIONS, Action, Answer, Event, Link, State, Timeouts
from tests.unit.link.machine_diagram import diagram

SESSION = 9
INF = float("inf")


def done(number: int, payload: bytes = b"", kind: int = protocol.DONE) -> bytes:
    return make_frame(SESSION, number & 0xFF, kind, payload)


def numbers(wire: bytes) -> list[int]:
    """The sequence numbers of the frames in some bytes."""
    assert len(wire) % protocol.QUANTUM == 0
    return [body[1] for body in FrameReader().feed(wire)]


def in_state(state: State) -> Link:
    """A link in a state, reached as a session would."""
    link = Link(SESSION, 4096)
    if state is not State.QUIET:
        link.submit(protocol.HELLO, b"", 0.0)
    if state is State.LOST:
        with pytest.raises(BoardSilent):
            link.tick(10.0)
    assert link.state is state
    return link


@pytest.mark.parametrize(("state", "event"), list(itertools.product(State, Event)))
def test_every_event_in_every_state_is_in_the_table_or_a_misuse(state: State, event: Event) -> None:
    link = in_state(state)
    if (state, event) not in TRANSITIONS:
        with pytest.raises(HostMisuse) as caught:
            link._happen(event, 0.0)
        assert str(caught.value) == f"the link is {state.value}: {event.value}"
        assert link.state is state
    elif TRANSITIONS[state, event][1] is Action.REPORT:
        with pytest.raises(BoardSilent):
            link._happen(event, 11.0)
        assert link.state is State.LOST
    else:
        link._happen(event, 0.0)
        assert link.state is TRANSITIONS[state, event][0]


def test_every_state_can_be_reached_and_every_action_is_taken() -> None:
    reached = {State.QUIET} | {state for state, _ in TRANSITIONS.values()}
    assert reached == set(State)
    assert {action for _, action in TRANSITIONS.values()} == set(Action)
    assert {event for _, event in TRANSITIONS} == set(Event)


def test_the_diagram_has_one_arrow_for_each_row_of_the_table() -> None:
    lines = diagram().splitlines()
    assert lines[0] == "stateDiagram-v2"
    assert sum(" --> " in line for line in lines) == len(TRANSITIONS) + 2
    for (start, event), (end, action) in TRANSITIONS.items():
        assert f"    {start.value} --> {end.value}: {event.value} / {action.value}" in lines


def test_a_command_is_sent_once_and_its_answer_handed_over() -> None:
    link = Link(SESSION, 4096)
    ticket = link.submit(protocol.HELLO, b"?", 0.0)
    assert numbers(link.outgoing()) == [0]
    assert link.outgoing() == b""
    assert link.receive(done(0, b"!"), 0.1) == [Answer(ticket, ok=True, payload=b"!")]
    assert link.state is State.QUIET
    assert link.deadline == INF


def test_a_fault_is_an_answer_that_is_not_ok() -> None:
    link = in_state(State.WAITING)
    assert link.receive(done(0, b"why", protocol.FAULT), 0.1) == [
        Answer(0, ok=False, payload=b"why")
    ]


def test_answers_that_arrive_out_of_order_are_handed_over_in_order() -> None:
    link = Link(SESSION, 4096)
    for _ in range(3):
        link.submit(protocol.SENSE, b"", 0.0)
    assert link.receive(done(2), 0.1) == []
    assert link.receive(done(1), 0.1) == []
    assert [answer.ticket for answer in link.receive(done(0), 0.1)] == [0, 1, 2]


def test_an_answer_that_comes_twice_counts_once() -> None:
    link = Link(SESSION, 4096)
    link.submit(protocol.SENSE, b"", 0.0)
    link.submit(protocol.SENSE, b"", 0.0)
    assert len(link.receive(done(0) + done(0), 0.1)) == 1
    assert link.state is State.WAITING
    assert len(link.receive(done(1), 0.1)) == 1
    assert link.receive(done(1), 0.1) == []


def test_frames_of_another_session_are_not_heard() -> None:
    link = in_state(State.WAITING)
    assert link.receive(make_frame(SESSION + 1, 0, protocol.DONE, b""), 5.0) == []
    assert link.heard == 0.0


def test_a_gap_makes_everything_unanswered_go_out_again_in_order() -> None:
    link = Link(SESSION, 4096)
    for _ in range(4):
        link.submit(protocol.SENSE, b"", 0.0)
    assert numbers(link.outgoing()) == [0, 1, 2, 3]
    link.receive(done(0) + done(2) + done(1, b"", protocol.GAP), 0.1)
    assert numbers(link.outgoing()) == [1, 3]
    assert link.resent == 2


def test_silence_repeats_once_per_timeout_until_the_link_is_given_up() -> None:
    link = Link(SESSION, 4096, Timeouts(repeat=1.0, give_up=3.5))
    link.submit(protocol.SENSE, b"", 0.0)
    link.outgoing()
    for second in (1.0, 2.0, 3.0):
        assert link.deadline == second
        link.tick(second - 0.01)
        assert link.outgoing() == b""
        link.tick(second)
        assert numbers(link.outgoing()) == [0]
    assert link.deadline == 3.5
    with pytest.raises(BoardSilent) as caught:
        link.tick(3.5)
    assert str(caught.value) == (
        "the board has not answered for 4 s; check the cable and that no other program uses "
        "the port, then run again"
    )
    assert link.state is State.LOST
    assert link.deadline == INF
    with pytest.raises(BoardSilent):
        link.tick(99.0)


def test_a_link_that_is_given_up_after_damage_says_that_it_corrupts_data() -> None:
    link = Link(SESSION, 4096, Timeouts(repeat=1.0, give_up=3.5))
    link.submit(protocol.SENSE, b"", 0.0)
    damaged = bytearray(done(0))
    damaged[2] ^= 1
    link.receive(bytes(damaged), 0.1)
    link.tick(1.0)
    with pytest.raises(BoardSilent) as caught:
        link.tick(3.5)
    assert str(caught.value) == (
        "the board has not answered for 4 s; the link corrupts data (damaged frames: 1, repeated "
        "commands: 1); check the cable and that no other program uses the port, then run again"
    )


def test_the_link_waits_for_a_busy_board() -> None:
    link = Link(SESSION, 4096, Timeouts(repeat=1.0, give_up=3.0))
    link.submit(protocol.BLOCK, b"", 0.0)
    link.outgoing()
    for tenth in range(1, 200):
        link.receive(done(0, b"", protocol.BUSY), tenth / 10)
        link.tick(tenth / 10 + 0.05)
    assert link.outgoing() == b""


def test_a_full_wire_holds_commands_back_but_never_a_lone_one() -> None:
    link = Link(SESSION, 1000)
    for _ in range(3):
        link.submit(protocol.LOAD, b"\x55" * 700, 0.0)
    assert numbers(link.outgoing()) == [0]
    assert link.backlog == 2
    link.receive(done(0), 0.1)
    assert numbers(link.outgoing()) == [1]


def test_no_more_commands_are_in_flight_than_the_board_remembers() -> None:
    link = Link(SESSION, 1 << 20)
    for _ in range(40):
        link.submit(protocol.SENSE, b"", 0.0)
    assert numbers(link.outgoing()) == list(range(protocol.REMEMBER - 1))


def test_no_longer_answers_are_due_than_the_board_remembers() -> None:
    link = Link(SESSION, 1 << 20)
    for _ in range(6):
        link.submit(protocol.LOAD, b"", 0.0)
        link.submit(protocol.BLOCK, b"", 0.0, protocol.MAX_ANSWERS // 3)
    assert numbers(link.outgoing()) == [0, 1, 2, 3, 4, 5, 6]
    link.receive(b"".join(map(done, range(4))), 0.1)
    assert numbers(link.outgoing()) == [7, 8, 9, 10]


def test_numbers_wrap_after_256_commands() -> None:
    link = Link(SESSION, 4096)
    for ticket in range(600):
        assert link.submit(protocol.SENSE, b"", 0.0) == ticket
        assert numbers(link.outgoing()) == [ticket & 0xFF]
        assert [answer.ticket for answer in link.receive(done(ticket), 0.0)] == [ticket]


def test_round_trips_count_waits_for_everything_in_flight() -> None:
    link = Link(SESSION, 4096)
    for _ in range(2):
        link.submit(protocol.SENSE, b"", 0.0)
    link.note_wait()
    link.receive(done(0), 0.1)
    link.note_wait()
    assert link.round_trips == 1
    link.submit(protocol.SENSE, b"", 0.0)
    link.receive(done(1), 0.1)
    link.note_wait()
    assert link.round_trips == 2


def test_a_command_longer_than_a_frame_is_refused() -> None:
    link = Link(SESSION, 4096)
    with pytest.raises(HostMisuse, match=r"^a command of 1398 bytes does not fit in a frame$"):
        link.submit(protocol.LOAD, bytes(1398), 0.0)
    assert link.submit(protocol.LOAD, bytes(1097), 0.0) == 0


def test_damaged_frames_are_counted() -> None:
    link = in_state(State.WAITING)
    link.receive(b"\x04abc\x00", 0.0)
    assert link.damaged == 1

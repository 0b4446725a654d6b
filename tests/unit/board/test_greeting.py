"""Greetings, also of strange or lying boards: read whole, or not at all."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.agent.engine import AGENT
from harness.agent.protocol import VERSION
from harness.board.capture import BoardIdentity
from harness.board.greeting import read_greeting
from harness.board.orders import BurstRoom, Room
from harness.errors import BoardMisbehaved

GOOD: dict[str, Any] = {
    "agent": AGENT,
    "protocol": VERSION,
    "interpreter": "micropython 1.27.0",
    "backend": "rp2",
    "exact": True,
    "board": "WB-01",
    "rows": 64,
    "inflate": True,
    "burst": {"clock_hz": 125_000_000, "captured": 512, "words": 2048},
}
UNREADABLE = "the agent's greeting cannot be read; reset the board and run again"
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)


def read(**changes: object) -> tuple[BoardIdentity, Room]:
    return read_greeting(json.dumps(GOOD | changes).encode())


def test_a_greeting_has_the_identity_and_the_limits_of_a_board() -> None:
    identity, room = read()
    assert identity.board_serial == "WB-01"
    assert (room.rows, room.burst) == (64, BurstRoom(125_000_000, 512, 2048))
    assert read(exact=False, burst=None)[1].burst is None


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff", b"[]", b"3", b"null", b"{}", b'{"agent": 1}', b"[" * 100_000, b"9" * 10_000],
)
def test_anything_but_a_greeting_is_reported_as_unreadable(payload: bytes) -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        read_greeting(payload)
    assert str(caught.value) == UNREADABLE


@pytest.mark.parametrize(
    "changes",
    [
        {"rows": 0},
        {"rows": -1},
        {"rows": 1e400},
        {"rows": True},
        {"rows": None},
        {"rows": "64"},
        {"board": 7},
        {"burst": None},
        {"burst": {}},
        {"burst": {"clock_hz": 0, "captured": 1, "words": 1}},
    ],
)
def test_a_greeting_with_unusable_limits_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        read(**changes)
    assert str(caught.value) == UNREADABLE


def test_another_agent_is_refused_by_its_version() -> None:
    with pytest.raises(BoardMisbehaved) as caught:
        read(agent="0.9", protocol=[1])
    assert str(caught.value) == (
        f"agent 0.9 with protocol [1] answers, but this tool uses agent {AGENT} with "
        f"protocol {VERSION}; reset the board and run again"
    )


@given(st.sampled_from(sorted(GOOD)), VALUES)
def test_any_value_in_a_greeting_is_read_or_refused(key: str, value: object) -> None:
    try:
        identity, room = read(**{key: value})
    except BoardMisbehaved:
        return
    assert room.rows >= 1
    assert isinstance(identity.board_serial, str)

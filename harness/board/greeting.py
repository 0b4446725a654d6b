"""What the agent says of itself when a session begins: who it is, and how much fits.

One rule: bytes of a board in, values or BoardMisbehaved out; nothing of it is believed unread.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from harness.agent import protocol
from harness.agent.engine import AGENT
from harness.board.capture import BoardIdentity
from harness.board.orders import BurstRoom, Room
from harness.errors import BoardMisbehaved

MAX_NUMBER = 0xFFFFFFFF
"""More than any board has of anything."""


@dataclass(frozen=True)
class Greeting:
    """Who answered, and what it can take."""

    identity: BoardIdentity
    room: Room


def read_greeting(payload: bytes) -> Greeting:
    """Read an agent's greeting. Raises BoardMisbehaved for another agent, or for no greeting."""
    try:
        said = json.loads(payload)
        known = (said["agent"], said["protocol"])
    except (ValueError, TypeError, LookupError, RecursionError) as error:
        raise _unreadable() from error
    if known != (AGENT, protocol.VERSION):
        agent, version = (str(value)[:40] for value in known)
        raise BoardMisbehaved(
            f"agent {agent} with protocol {version} answers, this tool brings agent {AGENT} with "
            f"protocol {protocol.VERSION}; reset the board and run again"
        )
    try:
        return _read(said)
    except (ValueError, TypeError, LookupError) as error:
        raise _unreadable() from error


def _unreadable() -> BoardMisbehaved:
    return BoardMisbehaved("the agent's greeting cannot be read; reset the board and run again")


def _read(said: dict[str, Any]) -> Greeting:
    identity = BoardIdentity(
        board_serial=_text(said["board"]),
        agent_version=_text(said["agent"]),
        interpreter=_text(said["interpreter"]),
        backend=_text(said["backend"]),
        exact=bool(said["exact"]),
    )
    return Greeting(
        identity,
        Room(_number(said["rows"], 1), bool(said["inflate"]), _burst(said, exact=identity.exact)),
    )


def _burst(said: dict[str, Any], *, exact: bool) -> BurstRoom | None:
    """Read what the agent says of its bursts; None where software paces the cycles."""
    if not exact:
        return None
    burst = said["burst"]
    return BurstRoom(
        tick_ns=_number(burst["tick_ns"], 1),
        captured=_number(burst["captured"], 1),
        words=_number(burst["words"], 1),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _number(value: object, least: int) -> int:
    if type(value) is not int or not least <= value <= MAX_NUMBER:
        raise ValueError(value)
    return value

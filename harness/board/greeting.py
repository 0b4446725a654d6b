"""Reads the agent's greeting at the start of a session: its identity and its limits.

One rule: bytes of a board in, values or BoardMisbehaved out; every value is checked.
"""

from __future__ import annotations

import json
from typing import Any

from harness.agent import protocol
from harness.agent.engine import AGENT
from harness.board.capture import BoardIdentity
from harness.board.orders import BurstRoom, Room
from harness.errors import BoardMisbehaved

MAX_NUMBER = 0xFFFFFFFF
"""Maximum plausible number in a greeting."""


def read_greeting(payload: bytes) -> tuple[BoardIdentity, Room]:
    """Read an agent's greeting: the board's identity and its limits.

    Raises BoardMisbehaved if it is unreadable or another agent's.
    """
    try:
        fields = json.loads(payload)
        versions = (fields["agent"], fields["protocol"])
    except (ValueError, TypeError, LookupError, RecursionError) as error:
        raise _unreadable() from error
    if versions != (AGENT, protocol.VERSION):
        agent, version = (str(value)[:40] for value in versions)
        raise BoardMisbehaved(
            f"agent {agent} with protocol {version} answers, but this tool uses agent {AGENT} with "
            f"protocol {protocol.VERSION}; reset the board and run again"
        )
    try:
        return _read(fields)
    except (ValueError, TypeError, LookupError) as error:
        raise _unreadable() from error


def _unreadable() -> BoardMisbehaved:
    return BoardMisbehaved("the agent's greeting cannot be read; reset the board and run again")


def _read(fields: dict[str, Any]) -> tuple[BoardIdentity, Room]:
    identity = BoardIdentity(
        board_serial=_text(fields["board"]),
        agent_version=_text(fields["agent"]),
        interpreter=_text(fields["interpreter"]),
        backend=_text(fields["backend"]),
        exact=bool(fields["exact"]),
    )
    burst = _burst(fields["burst"]) if identity.exact else None
    return identity, Room(_number(fields["rows"], 1), burst)


def _burst(burst: dict[str, Any]) -> BurstRoom:
    return BurstRoom(
        clock_hz=_number(burst["clock_hz"], 1),
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

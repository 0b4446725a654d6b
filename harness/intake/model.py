"""What an intake is made of: steps and what became of each, pins and what was found of each.

Values only. A step has a result or has not been reached; there is no third way round it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a step asks for."""

    CONFIRM = "confirm"
    CURRENT = "current"
    SERIAL = "serial"
    WORK = "work"


class Result(StrEnum):
    """What became of a step."""

    DONE = "done"
    FAILED = "failed"
    SKIPPED = "skipped"
    NOT_REACHED = "not reached"
    BROKEN_OFF = "could not be done"


class PinState(StrEnum):
    """What the pin check found out about one pin."""

    REACHED = "reached"
    OPEN = "open"
    STUCK = "stuck"
    SHORTED = "shorted"
    NOT_PROVEN = "not proven"


BAD_PINS = frozenset({PinState.OPEN, PinState.STUCK, PinState.SHORTED})


@dataclass(frozen=True)
class Step:
    """One step; ``notes`` are shown before ``prompt``. ``{limit}`` stands for the supply limit."""

    key: str
    title: str
    prompt: str
    kind: Kind = Kind.CONFIRM
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepResult:
    """What became of a step: ``text`` is the answer, the reason, or what was found."""

    key: str
    result: Result
    text: str
    at: str


@dataclass(frozen=True)
class PinFinding:
    """One pin of the chip: what was found, and by what."""

    pin: str
    state: PinState
    text: str

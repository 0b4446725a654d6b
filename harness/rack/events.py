"""Events of a running rack: frozen values, passed to one function.

One rule: events inform and never decide; a run without a watcher gives the same results.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.records import Outcome


@dataclass(frozen=True)
class SlotConnecting:
    """A slot's board is being reached and its agent started."""

    slot: str
    chip: str
    port: str
    tables: int


@dataclass(frozen=True)
class TableStarted:
    """A table of a design is about to run; one run of it has at most ``cycles``."""

    slot: str
    design: str
    table: str
    cycles: int


@dataclass(frozen=True)
class CyclesDone:
    """A long table goes on: the board has answered for this many cycles of the current run."""

    slot: str
    cycles: int


@dataclass(frozen=True)
class TableJudged:
    """A table has its outcome, and the outcome is stored."""

    slot: str
    outcome: Outcome


@dataclass(frozen=True)
class SlotRecovering:
    """A slot's board went away or hangs; ``text`` says what is being done about it."""

    slot: str
    text: str


@dataclass(frozen=True)
class SlotFinished:
    """A slot is done. ``trouble`` is why it could not be used, empty if it could."""

    slot: str
    trouble: str


@dataclass(frozen=True)
class RackNews:
    """News for every slot: the store is away or back, or a remark on virtual boards, slow work."""

    text: str


Event = (
    SlotConnecting
    | SlotRecovering
    | TableStarted
    | CyclesDone
    | TableJudged
    | SlotFinished
    | RackNews
)
Observer = Callable[[Event], None]


def as_news(observe: Callable[[RackNews], None]) -> Callable[[str], None]:
    """Make a function that reports a sentence as news for every slot."""
    return lambda text: observe(RackNews(text))


def unobserved(event: object) -> None:
    """Ignore an event."""
    del event

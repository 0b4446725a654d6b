"""How the jobs that use a station differ, and what it returns to them. Values only."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness.errors import HarnessError, HostMisuse
from harness.judge import Examination, RetryPolicy
from harness.rack.events import Observer, unobserved
from harness.rack.session import Opener, StopSwitch
from harness.records import ChipRecord, Outcome, SlotPins


@dataclass(frozen=True)
class Policy:
    """What a job requires of a station.

    ``observe`` receives the events, ``keep`` the record of the board that answered. ``names`` holds
    the placeholders of the command that cycles the board's power. The board must have the serial
    number ``must_be``, or, if that is empty, be the one that answered first; ``met`` says whether
    the record already names that one. ``losses`` is the maximum number of lost links that are
    opened again, one of them per table; ``lost`` is the message, with ``{where}`` and ``{error}``.
    ``exchanged`` is the advice for a board that is not the one from before. ``tables`` is the
    number planned.
    """

    stop: StopSwitch = field(default_factory=StopSwitch)
    observe: Observer = unobserved
    keep: Callable[[ChipRecord], None] = unobserved
    names: Mapping[str, str] = field(default_factory=dict)
    must_be: str = ""
    met: bool = False
    losses: float = math.inf
    lost: str = "the link was lost ({error})"
    exchanged: str = "plug every board in where it was and run again"
    tables: int = 0


@dataclass(frozen=True)
class TableRun(Examination):
    """The result of a table, which ran twice if its link was lost.

    ``gone`` is why the board was not there the second time.
    """

    gone: HarnessError | None = None

    @property
    def broken(self) -> HarnessError | None:
        """The error that ended the session, if one did."""
        return None if isinstance(self.lost, HostMisuse) else self.lost


@dataclass(frozen=True)
class RunMeans:
    """What all slots of a run have in common.

    ``open_slot`` raises LinkError if a board cannot be reached. ``keep_chip``, ``keep`` and
    ``keep_pins`` keep records durably; they are called from many threads.
    """

    open_slot: Opener
    keep_chip: Callable[[ChipRecord], None]
    keep: Callable[[Outcome], None]
    keep_pins: Callable[[SlotPins], None]
    retry: RetryPolicy
    stop: StopSwitch
    observe: Observer

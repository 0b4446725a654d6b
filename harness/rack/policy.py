"""In what the jobs differ that work at a station, and what they get back. Values only."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness.errors import HarnessError, HostMisuse
from harness.judge import Examination, RetryPolicy
from harness.rack.events import Observer, unobserved
from harness.rack.session import Opener, StopSwitch
from harness.records import ChipRecord, Outcome


def _nowhere(record: ChipRecord) -> None:
    del record


@dataclass(frozen=True)
class Policy:
    """What a job wants of a station.

    ``tell`` hears of what goes on, ``keep`` of who answered. ``names`` fills the words of the
    command that cycles the board's power. The board must have the serial number ``must_be``, or,
    if that is empty, be the one that answered first; ``met`` tells whether the record names that
    one already. So many ``losses`` of the link are made good in all, one of them in a table;
    ``lost`` says so, with ``{where}`` and ``{error}``. ``exchanged`` is what to do about a board
    that is not the one of before. ``tables`` are planned.
    """

    stop: StopSwitch = field(default_factory=StopSwitch)
    tell: Observer = unobserved
    keep: Callable[[ChipRecord], None] = _nowhere
    names: Mapping[str, str] = field(default_factory=dict)
    must_be: str = ""
    met: bool = False
    losses: float = math.inf
    lost: str = "the link was lost ({error})"
    exchanged: str = "plug every board in where it was and run again"
    tables: int = 0


@dataclass(frozen=True)
class TableRun(Examination):
    """What became of a table, which ran twice if its link was lost.

    ``gone`` is why the board was not there for the second time.
    """

    gone: HarnessError | None = None

    @property
    def broken(self) -> HarnessError | None:
        """What ended the session, if it is at its end."""
        return None if isinstance(self.lost, HostMisuse) else self.lost


@dataclass(frozen=True)
class RunMeans:
    """What all slots of a run have in common.

    ``open_slot`` raises LinkError if a board cannot be reached. ``keep_chip`` and ``keep`` keep
    records durably; they are called from many threads.
    """

    open_slot: Opener
    keep_chip: Callable[[ChipRecord], None]
    keep: Callable[[Outcome], None]
    retry: RetryPolicy
    stop: StopSwitch
    observe: Observer

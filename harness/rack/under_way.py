"""How far the long tables of a run are, for the live page of another process of this computer.

One rule: this informs and never decides. A file beside the run's lock has the slots whose table
runs for seconds; nothing waits for it, and a file that cannot be written or read says nothing.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from harness.rack.events import CyclesDone, Event, Observer, SlotFinished, TableJudged, TableStarted
from harness.rack.lock import lock_path, opened_carefully, opened_for_all

MAX_BYTES = 1 << 18
"""Maximum size of the file that is read."""

MAX_AGE = timedelta(days=30)
"""Maximum time that a run of a table took so far; 2³² cycles fit at 2 kHz."""


@dataclass(frozen=True)
class LongTable:
    """A table that runs: ``done`` of at most ``cycles`` by a moment ``at``, since it ``began``."""

    design: str
    table: str
    cycles: int
    done: int
    began: datetime
    at: datetime

    @property
    def until(self) -> datetime:
        """When it ends if it goes on at this pace."""
        return self.began + (self.at - self.began) * (self.cycles / self.done)


class UnderWay:
    """Passes every event on, and keeps the file of a run; ``now`` gives the time."""

    def __init__(
        self,
        observe: Observer,
        run_id: str,
        folder: Path | None = None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._observe, self._now = observe, now
        self._path = _path(run_id, folder)
        self._started: dict[str, LongTable] = {}
        self._long: dict[str, LongTable] = {}
        self._guard = threading.Lock()

    def __call__(self, event: Event) -> None:
        """Take an event."""
        with self._guard, suppress(OSError):
            match event:
                case TableStarted(slot=slot, design=design, table=table, cycles=cycles):
                    now = self._now()
                    self._started[slot] = LongTable(design, table, cycles, 0, now, now)
                case CyclesDone(slot=slot, cycles=done) if slot in self._started:
                    self._went_on(slot, done)
                case TableJudged(slot=slot) | SlotFinished(slot=slot):
                    self._started.pop(slot, None)
                    if self._long.pop(slot, None) is not None:
                        self._write()
                case _:
                    pass
        self._observe(event)

    def _went_on(self, slot: str, done: int) -> None:
        before, now = self._long.get(slot, self._started[slot]), self._now()
        began = now if done < before.done else before.began  # it runs once more
        done = min(done, before.cycles)
        self._long[slot] = replace(before, done=done, began=began, at=now)
        self._write()

    def _write(self) -> None:
        plain = {slot: asdict(table) for slot, table in self._long.items()}
        with opened_for_all(self._path) as stream:
            stream.write(json.dumps(plain, default=datetime.isoformat))
            stream.truncate()


def long_tables(run_id: str, folder: Path | None = None) -> Mapping[str, LongTable]:
    """Read which slots of a run are at a long table; anyone may have written the file."""
    try:
        with opened_carefully(_path(run_id, folder)) as stream:
            whole = json.loads(stream.read(MAX_BYTES))
        return {slot: _checked(**table) for slot, table in whole.items()}
    except (OSError, ValueError, TypeError, AttributeError, OverflowError, RecursionError):
        return {}


def _checked(design: str, table: str, cycles: int, done: int, began: str, at: str) -> LongTable:
    since, last = datetime.fromisoformat(began), datetime.fromisoformat(at)
    texts = isinstance(design, str) and isinstance(table, str)
    counts = type(cycles) is int and type(done) is int and 0 < done <= cycles < 1 << 32
    zones = since.tzinfo is not None and last.tzinfo is not None
    if not (texts and counts and zones and timedelta() <= last - since < MAX_AGE):
        raise ValueError("not what a run writes")
    checked = LongTable(design, table, cycles, done, since, last)
    checked.until  # noqa: B018 - too late a moment raises OverflowError
    return checked


def _path(run_id: str, folder: Path | None) -> Path:
    return lock_path(f"long tables of run {run_id}", folder)

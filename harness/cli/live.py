"""Show a run's progress: totals and a row per slot on a terminal, plain lines elsewhere.

One rule: both displays observe the same events; neither knows how a run works.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Console, ConsoleOptions, RenderableType
from rich.live import Live
from rich.table import Column, Table
from rich.text import Text

import harness
from harness.cli.screen import Screen, shown
from harness.cli.table_clock import TableClock, clock
from harness.cli.words import counts_text, verdict_words
from harness.errors import many
from harness.records import Outcome, Verdict


@contextmanager
def display(screen: Screen, slots: Sequence[harness.Slot]) -> Iterator[harness.Observer]:
    """Show a run's progress as rows on a terminal, else as lines."""
    if not screen.is_terminal:
        yield LineDisplay(screen)
        return
    board = RowDisplay(slots)
    with Live(board, console=screen, refresh_per_second=8):
        yield board


@dataclass
class _Row:
    """The state of one slot."""

    slot: str
    chip: str
    doing: str = "waiting"
    table: TableClock | None = None
    tables: int = 0
    verdicts: list[Verdict] = field(default_factory=list)
    finished: bool = False
    trouble: bool = False

    @property
    def urgency(self) -> tuple[bool, bool]:
        """Sort key: what went wrong first, then what is under way."""
        return not (self.trouble or any(verdict.failed for verdict in self.verdicts)), self.finished


MIN_TIMED = 10
"""Minimum number of tables from which the time left is worked out."""

OTHER_LINES = 4
"""Lines on the screen that are no rows: totals, headings, slots left out, and news."""


class RowDisplay:
    """A table with a row per slot, redrawn as events arrive from many threads.

    If there are more slots than lines, those with a failure come first. ``now`` gives seconds.
    """

    def __init__(
        self, slots: Sequence[harness.Slot], now: Callable[[], float] = time.monotonic
    ) -> None:
        self._now, self._began = now, now()
        self._rows = {slot.name: _Row(slot.name, slot.chip) for slot in slots}
        self._news = ""
        self._lock = threading.Lock()

    def __call__(self, event: harness.Event) -> None:
        """Update the row of an event's slot."""
        with self._lock:
            if isinstance(event, harness.RackNews):
                self._news = event.text
                return
            row = self._rows[event.slot]
            match event:
                case harness.SlotConnecting(port=port, tables=tables):
                    row.doing, row.tables = _reaching(port), tables
                case harness.SlotRecovering(text=text):
                    row.doing = text
                case harness.TableStarted(design=design, table=table, cycles=cycles):
                    row.doing = f"{design} / {table}"
                    row.table = TableClock.start(row.doing, cycles, self._now())
                case harness.CyclesDone(cycles=done) if row.table is not None:
                    row.table.hear(done, self._now())
                    row.doing = row.table.text(self._now())
                case harness.TableJudged(outcome=outcome):
                    row.verdicts.append(outcome.verdict)
                case harness.SlotFinished(trouble=trouble):
                    row.doing = "cannot be used" if trouble else "finished"
                    row.finished, row.trouble = True, bool(trouble)

    def __rich_console__(
        self, console: Console, options: ConsoleOptions
    ) -> Iterator[RenderableType]:
        """Draw the totals, and as many rows as the screen has room for."""
        counted = Column("tables", justify="right")
        table = Table("slot", "chip", counted, "now", "so far", box=None, pad_edge=False)
        with self._lock:
            rows = list(self._rows.values())
            room = max(1, options.size.height - OTHER_LINES)
            if len(rows) > room:
                rows.sort(key=lambda row: row.urgency)
            for row in rows[:room]:
                table.add_row(
                    shown(row.slot),
                    shown(row.chip),
                    f"{len(row.verdicts)}/{row.tables}",
                    shown(row.doing),
                    counts_text(row.verdicts),
                )
            yield self._totals()
            yield table
            if rows[room:]:
                yield shown(f"and {many(len(rows[room:]), 'more slot')}")
            if self._news:
                yield shown(self._news)

    def _totals(self) -> Text:
        """``412 of 1,088 tables, 0:37 so far, about 1:01 left``."""
        done = sum(len(row.verdicts) for row in self._rows.values())
        total = sum(row.tables for row in self._rows.values())
        elapsed = self._now() - self._began
        text = f"{done:,} of {many(total, 'table')}, {clock(elapsed)} so far"
        if MIN_TIMED <= done < total:
            text += f", about {clock(elapsed * (total - done) / done)} left"
        return shown(text)


class LineDisplay:
    """A line per finished table, and a few for one that takes long, for logs and pipes."""

    def __init__(self, screen: Screen, now: Callable[[], float] = time.monotonic) -> None:
        self._screen, self._now = screen, now
        self._tables: dict[str, TableClock] = {}

    def __call__(self, event: harness.Event) -> None:
        """Write the event's line, if it has one."""
        match event:
            case harness.TableStarted(slot=slot, design=design, table=table, cycles=cycles):
                self._tables[slot] = TableClock.start(f"{design}/{table}", cycles, self._now())
            case harness.CyclesDone(slot=slot, cycles=done) if slot in self._tables:
                self._follow(slot, self._tables[slot], done)
        text = harness.event_line(event, _reaching, _judged)
        if text:
            self._screen.say(text)

    def _follow(self, slot: str, table: TableClock, done: int) -> None:
        now = self._now()
        table.hear(done, now)
        if table.due(now):
            self._screen.say(f"{slot}  {table.text(now)}")


def _reaching(port: str) -> str:
    if port == harness.VIRTUAL_PORT:
        return "starting the agent on its virtual board"
    return f"connecting to the board at {port or 'its USB port'}"


def _judged(outcome: Outcome) -> str:
    tail = "" if outcome.verdict is Verdict.PASS else f"  {outcome.summary}"
    return f"{verdict_words(outcome)}{tail}"

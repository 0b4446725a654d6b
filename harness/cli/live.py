"""Show a run's progress: a row per slot on a terminal, plain lines elsewhere.

One rule: both displays observe the same events; neither knows how a run works.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Group
from rich.live import Live
from rich.table import Table

from harness import (
    VIRTUAL_PORT,
    Event,
    Observer,
    RackNews,
    Slot,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
    TableStarted,
    event_line,
)
from harness.cli.screen import Screen, shown
from harness.cli.words import counts_text, verdict_words
from harness.records import Outcome, Verdict


@contextmanager
def display(screen: Screen, slots: Sequence[Slot]) -> Iterator[Observer]:
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
    tables: int = 0
    verdicts: list[Verdict] = field(default_factory=list)


class RowDisplay:
    """A table with a row per slot, redrawn as events arrive from many threads."""

    def __init__(self, slots: Sequence[Slot]) -> None:
        self._rows = {slot.name: _Row(slot.name, slot.chip) for slot in slots}
        self._news = ""
        self._lock = threading.Lock()

    def __call__(self, event: Event) -> None:
        """Update the row of an event's slot."""
        with self._lock:
            if isinstance(event, RackNews):
                self._news = event.text
                return
            row = self._rows[event.slot]
            match event:
                case SlotConnecting(port=port, tables=tables):
                    row.doing, row.tables = _reaching(port), tables
                case SlotRecovering(text=text):
                    row.doing = text
                case TableStarted(design=design, table=table):
                    row.doing = f"{design} / {table}"
                case TableJudged(outcome=outcome):
                    row.verdicts.append(outcome.verdict)
                case SlotFinished(trouble=trouble):
                    row.doing = "cannot be used" if trouble else "finished"

    def __rich__(self) -> Group:
        """Draw all rows."""
        table = Table(box=None, pad_edge=False)
        for heading in ("slot", "chip", "tables", "now", "so far"):
            table.add_column(heading, justify="right" if heading == "tables" else "left")
        with self._lock:
            for row in self._rows.values():
                table.add_row(
                    shown(row.slot),
                    shown(row.chip),
                    f"{len(row.verdicts)}/{row.tables}",
                    shown(row.doing),
                    counts_text(row.verdicts),
                )
            news = [shown(self._news)] if self._news else []
        return Group(table, *news)


class LineDisplay:
    """A line per finished table, for logs and pipes."""

    def __init__(self, screen: Screen) -> None:
        self._screen = screen

    def __call__(self, event: Event) -> None:
        """Write the event's line, if it has one."""
        text = event_line(event, _reaching, _judged)
        if text:
            self._screen.say(text)


def _reaching(port: str) -> str:
    if port == VIRTUAL_PORT:
        return "starting the agent on its virtual board"
    return f"connecting to the board at {port or 'its USB port'}"


def _judged(outcome: Outcome) -> str:
    tail = "" if outcome.verdict is Verdict.PASS else f"  {outcome.summary}"
    return f"{verdict_words(outcome)}{tail}"

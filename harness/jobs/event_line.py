"""One line for each event of a rack that deserves one: for logs, and without a terminal."""

from __future__ import annotations

from collections.abc import Callable

from harness.rack import (
    Event,
    RackNews,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    TableJudged,
)
from harness.records import Outcome


def event_line(
    event: Event, reaching: Callable[[str], str], judged: Callable[[Outcome], str]
) -> str:
    """Return an event's line; empty if it has none.

    ``reaching`` describes what happens at a port, ``judged`` the outcome of a table.
    """
    match event:
        case SlotConnecting(slot=slot, chip=chip, port=port):
            return f"{slot}  {chip}  {reaching(port)}"
        case SlotRecovering(slot=slot, text=text):
            return f"{slot}  {text}"
        case TableJudged(slot=slot, outcome=one):
            return f"{slot}  {one.chip_serial}  {one.design}/{one.table}  {judged(one)}"
        case SlotFinished(slot=slot, trouble=trouble):
            return f"{slot}  cannot be used: {trouble}" if trouble else f"{slot}  finished"
        case RackNews(text=text):
            return text
        case _:
            return ""

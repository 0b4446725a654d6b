"""What a board that was handed over wakes up with, in words for pages, cards and terminals."""

from __future__ import annotations

from harness.records import HandoverRecord
from harness_reports.texts import day, hertz


def wakes_text(handover: HandoverRecord) -> str:
    """Say what a board does at power-up, as the rest of a sentence that names it."""
    if not handover.design:  # the record is damaged, and its reason says so
        return f"was handed over: {handover.reason}"
    on, what = day(handover.begun), f"{handover.design} by itself at power-up"
    if handover.finished is None:
        return f"may start {what}: the handover of {on} did not finish"
    parts = [f"starts {what}", _clock(handover)]
    if handover.levels:
        parts.append(f"inputs held: {', '.join(handover.levels)}")
    parts.append(f"handed over on {on}")
    text = "; ".join(parts)
    return f"{text}, for this reason: {handover.reason}" if handover.reason else text


def _clock(handover: HandoverRecord) -> str:
    if not handover.rate_hz:
        return "it has no clock"
    how = "exact" if handover.exact else "paced by software"
    return f"clock {hertz(handover.achieved_hz)}, {how}"

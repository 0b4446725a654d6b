"""What a board that was handed over wakes up with: in words, and as a label for the board."""

from __future__ import annotations

from pathlib import Path

from harness.records import HandoverRecord
from harness_reports.html import page_html
from harness_reports.names import safe_name
from harness_reports.secrets import Scrubber
from harness_reports.texts import day, hertz
from harness_reports.write import remove_file, write_file


def power_up_html(handover: HandoverRecord) -> bytes:
    """Return the label, 90 mm by 38 mm."""
    text = f"Board {handover.board_serial} {wakes_text(handover)}."
    label = {"chip_serial": handover.chip_serial, "text": text}
    return page_html("power_up.html.jinja", label, ("style.css", "card.css", "label.css"))


def write_power_up(chip: str, handover: HandoverRecord | None, folder: Path) -> Path | None:
    """Write the label of a chip whose board was handed over; remove that of any other.

    Raises StoreError with the reason.
    """
    place = folder / f"{safe_name(chip)}-power-up.html"
    if handover is None:
        remove_file(place, folder)
        return None
    write_file(place, power_up_html(Scrubber().record(handover)), folder)
    return place


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

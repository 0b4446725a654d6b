"""The continuity test of a slot as its page shows it: what is proven of each pin, and by what.

The one rule: a pin of which nothing is proven is named, never left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import many, some
from harness.records import Outcome, PinState, SlotPins
from harness_reports.pin_map import PIN_LOOKS

MAX_SHOWN_TABLES = 3
"""Maximum number of tables named for one pin."""


@dataclass(frozen=True)
class ContinuitySection:
    """The test: a sentence, a row for each pin, and the tables that nobody asked for."""

    sentence: str
    rows: tuple[tuple[str, str, str], ...]
    extras: tuple[Outcome, ...]


def continuity_section(tests: Sequence[SlotPins], slot: str) -> ContinuitySection | None:
    """Work out the section of one slot; None if it had no test."""
    test = next((test for test in tests if test.slot == slot and test.tables), None)
    if test is None:
        return None
    rows = tuple(
        (pin.pin, PIN_LOOKS[pin.state].word, _why(pin.tables, pin.cause)) for pin in test.pins
    )
    return ContinuitySection(_sentence(test), rows, test.extras)


def _sentence(test: SlotPins) -> str:
    tables = f"{many(len(test.tables), 'table')} ran first: {', '.join(test.tables)}."
    if not test.pins:
        return f"{tables} The run is not settled yet, so no pin is proven."
    proven = sum(pin.state is PinState.PROVEN for pin in test.pins)
    return f"{tables} {proven} of {many(len(test.pins), 'pin')} proven to reach the chip."


def _why(tables: Sequence[str], cause: str) -> str:
    return f"cause {cause}" if cause else some(tables, MAX_SHOWN_TABLES)

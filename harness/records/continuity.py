"""The continuity test of a slot: which pins of the chip are proven to reach the board.

Values only; a pin is proven by tables that would have failed if anything were wrong with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.records.outcome import Outcome


class PinState(StrEnum):
    """What the continuity test says of a pin."""

    PROVEN = "proven"
    NOT_PROVEN = "not-proven"
    SUSPECTED = "suspected"


@dataclass(frozen=True)
class PinProof:
    """One pin of the chip.

    ``tables`` (``design/table``) passed and would not have if the pin were open, stuck, or shorted
    to or exchanged with a neighbour. ``cause`` is the key of the run's cause that suspects it.
    """

    pin: str
    state: PinState
    tables: tuple[str, ...]
    cause: str


@dataclass(frozen=True)
class SlotPins:
    """The continuity test of one slot, which runs before all other tables.

    ``tables`` (``design/table``) are those of the test, in order. ``extras`` are the outcomes of
    those that were not requested in this run: they count for no chip and for no exit code. ``pins``
    has every pin of the chip, in the shuttle's order; it is empty until the run is settled.
    """

    slot: str
    tables: tuple[str, ...]
    extras: tuple[Outcome, ...]
    pins: tuple[PinProof, ...]

"""A virtual chip without a board: whichever design is selected runs, afresh.

The one rule: what a board adds (its pins, its way to select, its rates) is left out; gates and
lines are those of every other virtual chip.
"""

from __future__ import annotations

from dataclasses import replace

from harness.board import BoardProfile, ParallelSelect
from harness.shuttle import Design, Shuttle
from harness.virtual.direct import DirectBoard
from harness.virtual.spec import VirtualBoardSpec

ENDLESS_HZ = 1e9


def ideal_profile(shuttle: Shuttle) -> BoardProfile:
    """Return the profile of a board that wires every pin and goes at any rate."""
    return BoardProfile(
        name="no board",
        controller="none",
        pins={pin.name: pin.bit for pin in shuttle.pins},
        select=ParallelSelect(()),
        path=shuttle.path,
        sha256="",
        backend="virtual",
        max_rate_hz=ENDLESS_HZ,
    )


class IdealBoard(DirectBoard):
    """A session in which each selection powers a new chip up, with that one design on it."""

    def __init__(self, shuttle: Shuttle, serial: str) -> None:
        spec = VirtualBoardSpec("", "", serial, shuttle.path, shuttle.path)
        self._whole = shuttle
        super().__init__(spec, replace(shuttle, designs=()), ideal_profile(shuttle))

    def select(self, design: Design) -> None:
        """Power a chip up that has this design alone, and release its reset."""
        only = replace(design, address=0)
        self._power_up(replace(self._whole, designs=(only,)))
        super().select(only)

"""A virtual chip without a board: whichever design is selected runs, afresh.

The one rule: what a board adds (its pins, its way to select, its rates) is left out; gates and
lines are those of every other virtual chip.
"""

from __future__ import annotations

from dataclasses import replace

from harness.board import BoardIdentity, BoardProfile, Capture, ParallelSelect, RunConditions
from harness.shuttle import Design, Shuttle
from harness.table import NO_CYCLES, Cycles, Pattern
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


class IdealBoard:
    """A session in which each selection powers a new chip up, with that one design on it."""

    def __init__(self, shuttle: Shuttle, serial: str) -> None:
        self._shuttle = shuttle
        self._profile = ideal_profile(shuttle)
        self._spec = VirtualBoardSpec("", "", serial, shuttle.path, shuttle.path)
        self._board = self._powered(())
        self.identity: BoardIdentity = self._board.identity

    def _powered(self, designs: tuple[Design, ...]) -> DirectBoard:
        shuttle = replace(self._shuttle, designs=designs)
        return DirectBoard(self._spec, shuttle, self._profile)

    def select(self, design: Design) -> None:
        """Power a chip up that has this design alone, and release its reset."""
        only = replace(design, address=0)
        self._board = self._powered((only,))
        self._board.select(only)

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        """Run a pattern, as :meth:`harness.virtual.DirectBoard.run`."""
        return self._board.run(pattern, conditions, window=window)

    def supply_ma(self) -> float | None:
        """Return None: nothing is supplied."""
        return None

    def cancel(self) -> None:
        """Do nothing: no run takes long."""

    def close(self) -> None:
        """Do nothing: there is nothing to leave."""

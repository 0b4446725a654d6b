"""What a session drives beside its tables: pins at rest, the reset, and a selection.

One rule: rows only; how they reach a board is for the session to say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from harness.board.capture import RunConditions
from harness.board.profile_model import BoardProfile
from harness.shuttle import Design, Direction, Shuttle
from harness.table import Pattern

SELECT_HZ = 100_000.0
"""Maximum rate while a design is selected, in any table."""


class Resting:
    """The levels of pins that nothing else drives, which follow what is selected."""

    def __init__(self, shuttle: Shuttle, profile: BoardProfile) -> None:
        self._shuttle = shuttle
        self._profile = profile
        self._drive, self._enable = shuttle.rest_levels

    def selection(self, design: Design) -> tuple[Pattern, RunConditions]:
        """Select a design, with reset held, at a rate that every chip can follow."""
        steps = self._profile.select.steps(design.address, self._shuttle)
        others = self._reset_drive & ~self._shuttle.mask(Direction.SELECT)
        rows = Pattern.of(
            drive=np.array([step.drive | others for step in steps], dtype=np.uint32),
            enable=np.full(len(steps), self._enable, np.uint32),
            pulse=np.array([step.pulse for step in steps], dtype=np.uint32),
        )
        return rows, RunConditions(min(self._profile.max_rate_hz, SELECT_HZ))

    def hold(self, selection: Pattern) -> None:
        """Hold the select pins from now on as a selection left them."""
        selects = self._shuttle.mask(Direction.SELECT)
        self._drive = (self._drive & ~selects) | (int(selection.drive[-1]) & selects)

    def reset(self, cycles: int) -> Pattern:
        """Clock with reset active, in one row."""
        one = Pattern.of(
            drive=np.array([self._reset_drive], dtype=np.uint32),
            enable=np.array([self._enable], dtype=np.uint32),
            pulse=np.array([self._shuttle.mask(Direction.CLOCK)], dtype=np.uint32),
        )
        return replace(one, repeat=np.array([cycles], dtype=np.uint32))

    def whole(self, pattern: Pattern) -> Pattern:
        """Drive also the pins that the table does not mention."""
        return pattern.with_rest(self._drive, self._enable)

    @property
    def _reset_drive(self) -> int:
        return self._drive ^ self._shuttle.mask(Direction.RESET)

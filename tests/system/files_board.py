"""A virtual board that has files: a folder of this computer, which outlives its power.

The real MicroPython executes ``main.py`` there after power-up and after each soft reset, then shows
its prompt, as a board does; the same chip model is behind its pins.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.virtual import VirtualBoardSpec
from harness.virtual.board import VirtualBoard
from harness.virtual.chip import ChipModel
from tests.unit.agent.micropython import INTERPRETER

STARTER = Path(__file__).with_name("start_board.py")
MODULES = Path(__file__).with_name("board_modules")


class FilesBoard(VirtualBoard):
    """A board whose files are in ``folder``."""

    def __init__(self, spec: VirtualBoardSpec, folder: Path) -> None:
        super().__init__(spec)
        self.folder = self._inside = folder
        self._command = (sys.executable, str(STARTER), str(INTERPRETER), str(MODULES))

    @property
    def chip(self) -> ChipModel:
        """The chip since it was last powered up."""
        return self._model

    def power_off(self) -> None:
        self._cut_power()

    def power_on(self) -> None:
        (self.folder.parent / "main-has-ended").unlink(missing_ok=True)
        self._give_power()


@contextmanager
def files_board(spec: VirtualBoardSpec, folder: Path) -> Iterator[FilesBoard]:
    """Power a board up, and down at the end."""
    folder.mkdir(exist_ok=True)
    board = FilesBoard(spec, folder)
    board.warm_up()
    board.start()
    try:
        yield board
    finally:
        board.stop()

"""What a caller of the jobs may choose, and what is chosen without a word.

One rule: nothing else is loaded here, so that a page of help is there at once.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

RUNS = Path("runs")
"""The default folder for reports, below the current folder."""

STORE = str(RUNS / "harness.sqlite")
"""The default store: a file, or any SQLAlchemy URL."""

LATEST = "latest"
"""The name for the run that was started last; includes intakes where they are allowed."""

SHUTTLE = Path("shuttle.toml")
"""The default shuttle file, in the current folder."""


class PatternFormat(StrEnum):
    """A format of test vectors."""

    JESD3 = "jesd3"
    STIL = "stil"


class Cells(StrEnum):
    """The gates on which tables are graded.

    ``OWN``: the design's netlist. ``SIMPLE``: two-input gates and one kind of flop, made for the
    grade alone.
    """

    OWN = "own"
    SIMPLE = "simple"


class OnFailure(StrEnum):
    """What follows a table that does not pass."""

    STOP = "stop"
    CONTINUE = "continue"

"""A table as waves before it has run: inputs as driven, outputs as expected.

One rule: a wave is what a run's evidence has too, so that there is one drawing and one dump.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.board import CaptureWindow
from harness.judge import window
from harness.records import Window
from harness.shuttle import Design, Shuttle
from harness.table import Names, Pattern

MAX_CYCLES = 20_000
"""Maximum number of cycles of a dump: 20 pins take some two seconds."""

MAX_ROWS = 360
"""Maximum number of rows of a drawing: twenty strips."""


Part = tuple[Window, str]
"""A part of a table, and a sentence on what it leaves out (empty if nothing)."""


def cycles_window(pattern: Pattern, design: Design, shuttle: Shuttle) -> Part:
    """Return each cycle, as far as :data:`MAX_CYCLES`; ``until`` is taken to match at once."""
    ends = np.cumsum(pattern.counts)
    rows = np.searchsorted(ends, np.arange(min(pattern.cycles, MAX_CYCLES)), "right")
    shown = _expected(pattern, rows, np.arange(len(rows)), design, shuttle)
    return shown, _left_out(MAX_CYCLES, pattern.cycles, "cycles")


def rows_window(pattern: Pattern, design: Design, shuttle: Shuttle) -> Part:
    """Return each row once, in its first cycle, as far as :data:`MAX_ROWS`.

    The label says how often the row is repeated.
    """
    rows = np.arange(min(len(pattern), MAX_ROWS))
    cycles = (np.cumsum(pattern.counts) - pattern.counts)[rows]
    shown = _expected(pattern, rows, cycles, design, shuttle)
    labels = (
        " ".join(filter(None, (label, _times(int(count), until=bool(until)))))
        for label, count, until in zip(shown.labels, pattern.repeat, pattern.until, strict=False)
    )
    note = _left_out(MAX_ROWS, len(pattern), "rows")
    return replace(shown, labels=tuple(labels)), note


def _left_out(limit: int, number: int, what: str) -> str:
    return f"The first {limit:,} of {number:,} {what} are shown." if number > limit else ""


def _times(count: int, *, until: bool) -> str:
    if until:
        return f"until {count}"
    return f"×{count}" if count > 1 else ""


def _expected(
    pattern: Pattern,
    rows: NDArray[np.int64],
    cycles: NDArray[np.int64],
    design: Design,
    shuttle: Shuttle,
) -> Window:
    """Show each tested pin as it is expected, and no other as read."""
    names = Names(shuttle, replace(pattern, signals=design.signals))
    levels = pattern.expect[rows], pattern.highz[rows]
    read = CaptureWindow(rows.astype(np.uint32), cycles.astype(np.uint32), *levels)
    shown = window(pattern, read, names)
    waves = (
        replace(wave, observed="".join(map(_tested, wave.observed, wave.expected)))
        for wave in shown.waves
    )
    return replace(shown, waves=tuple(waves))


def _tested(level: str, symbol: str) -> str:
    return "." if symbol == "." else level

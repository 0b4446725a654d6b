"""A table as the engine runs it: what a session with a board would drive, cycle by cycle.

One rule: the reset before the table and the pins that it does not mention come from the same
places as on a board.
"""

from __future__ import annotations

import numpy as np

from harness.netlist import Rows, stimulus
from harness.shuttle import Direction, Shuttle, TableSpec
from harness.table import Pattern


def table_rows(pattern: Pattern, spec: TableSpec, shuttle: Shuttle) -> tuple[Rows, int]:
    """Return the rows to run, and how many of them come before the table (its reset)."""
    drive, enable = shuttle.rest_levels
    whole = pattern.with_rest(drive, enable)
    table = stimulus(
        whole.drive,
        whole.enable,
        whole.pulse,
        whole.highz,
        expect=whole.expect,
        care=whole.care,
        count=whole.repeat,
        until=whole.until,
    )
    if not spec.reset_cycles:
        return table, 0
    active = drive ^ shuttle.mask(Direction.RESET)
    clock = shuttle.mask(Direction.CLOCK)
    reset = stimulus(active, enable, clock, 0, count=spec.reset_cycles)
    return np.concatenate((reset, table)), 1

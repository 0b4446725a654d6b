"""The ``repeat`` column: a count, or ``until N``.

One rule: an empty cell is one cycle; a row stands for at least one.
"""

from __future__ import annotations

import re
from functools import partial

import numpy as np
from numpy.typing import NDArray

from harness.errors import Location
from harness.table.columns import Cells, Coded, Numbers
from harness.table.complaints import Complaints
from harness.table.pattern import Words
from harness.table.symbols import Refusal
from harness.table.words import Locate

MOST_CYCLES = 2_000_000_000
_CELL = re.compile(r"(until\s+)?(-?[0-9][0-9_]*)", re.IGNORECASE)


def read_repeat(text: str) -> tuple[int, bool] | Refusal:
    """Read one cell: (cycles, whether they are the limit of an ``until``)."""
    text = text.strip()
    if not text:
        return 1, False
    found = _CELL.fullmatch(text)
    if found is None or len(found[2]) > 20:
        return Refusal(
            "bad-repeat", f'"{text[:40]}" is not a repeat', "write a count such as 12, or until 12"
        )
    count = int(found[2].replace("_", ""))
    if count <= 0:
        return Refusal("repeat-below-one", f"repeat is {count}", "write a count of at least 1")
    if count > MOST_CYCLES:
        return Refusal("repeat-too-large", f"repeat is {count}", f"at most {MOST_CYCLES:,}")
    return count, found[1] is not None


def decode_repeats(
    number: int, cells: Cells, complaints: Complaints, locate: Locate
) -> tuple[Words, NDArray[np.bool_]]:
    """Count and ``until`` of every row of a block; refused cells count as 1."""
    if isinstance(cells, Numbers):
        distinct, codes = np.unique(cells.values, return_inverse=True)
        cells = Coded(codes, [str(value) for value in distinct.tolist()])
    counts = np.ones(len(cells.texts), np.uint32)
    until = np.zeros(len(cells.texts), np.bool_)
    for code, text in enumerate(cells.texts):
        read = read_repeat(text)
        if isinstance(read, Refusal):
            first = partial(_first, number, cells, code, locate)
            complaints.refuse(number, text, read, cells.rows(code), first)
        else:
            counts[code], until[code] = read
    return counts[cells.codes], until[cells.codes]


def _first(number: int, cells: Coded, code: int, locate: Locate) -> Location:
    return locate(cells.first(code), number)

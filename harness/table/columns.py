"""A column of cells as it comes from any kind of file: each distinct text once.

One rule: values only; nothing here needs a reading library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Coded:
    """A column as its distinct texts and, per row, the number of its text."""

    codes: NDArray[np.integer]
    texts: Sequence[str]


@dataclass(frozen=True)
class Numbers:
    """A column in which every cell is a decimal number without leading zeros."""

    values: NDArray[np.int64]


Cells = Coded | Numbers

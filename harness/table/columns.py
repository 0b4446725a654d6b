"""A column of cells as it comes from any kind of file: each distinct text once.

One rule: values only; nothing here needs a reading library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Coded:
    """A column as its distinct texts and, per row, the number of its text."""

    codes: NDArray[np.integer]
    texts: Sequence[str]

    def rows(self, code: int) -> int:
        """How many rows hold a text; the first asking counts them all."""
        return int(self._rows[code])

    def first(self, code: int) -> int:
        """The first row that holds a text."""
        return int(np.argmax(self.codes == code))

    @cached_property
    def _rows(self) -> NDArray[np.intp]:
        return np.bincount(self.codes, minlength=len(self.texts))


@dataclass(frozen=True)
class Numbers:
    """A column in which every cell is a decimal number without leading zeros."""

    values: NDArray[np.int64]


Cells = Coded | Numbers

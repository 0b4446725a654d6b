"""Many plain numbers read at once, for columns that count.

One rule: whatever is not certainly a plain number comes back as -1 and is read cell by cell by
:mod:`harness.table.symbols`, which alone decides what a text means.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

LONGEST = 34
_DIGITS = np.full(256, 99, np.int64)
_DIGITS[ord("0") : ord("9") + 1] = range(10)
_DIGITS[ord("a") : ord("f") + 1] = range(10, 16)
_DIGITS[ord("A") : ord("F") + 1] = range(10, 16)


def read_numerals(texts: Sequence[str]) -> NDArray[np.int64]:
    """Value of each text that is ``0x…``, ``0b…`` or a decimal without leading zeros, else -1."""
    values = np.full(len(texts), -1, np.int64)
    try:
        flat = np.array(texts, dtype="S")
    except UnicodeEncodeError:
        return values
    width = flat.dtype.itemsize
    if width > LONGEST:
        return values
    letters = flat.view(np.uint8).reshape(len(texts), width)
    length = np.char.str_len(flat)
    first = letters[:, 0]
    second = letters[:, 1] if width > 1 else np.zeros(len(texts), np.uint8)
    prefixed = (first == ord("0")) & (length > 2)
    groups = (
        (prefixed & (second == ord("x")) & (length <= 10), 16, 2),
        (prefixed & (second == ord("b")), 2, 2),
        (((first != ord("0")) | (length == 1)) & (length <= 10), 10, 0),
    )
    for chosen, base, skip in groups:
        rows = np.flatnonzero(chosen)
        if len(rows):
            values[rows] = _values(letters[rows, skip:], length[rows] - skip, base)
    return values


def _values(letters: NDArray[np.uint8], length: NDArray[np.int64], base: int) -> NDArray[np.int64]:
    """Value of each row of digits, -1 where a letter is no digit of the base."""
    values = np.zeros(len(letters), np.int64)
    sound = length > 0
    for place in range(letters.shape[1]):
        inside = place < length
        digit = _DIGITS[letters[:, place]]
        sound &= ~inside | (digit < base)
        values = np.where(inside & sound, values * base + digit, values)
    return np.where(sound, values, -1)

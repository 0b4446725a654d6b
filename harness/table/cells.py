"""Turns blocks of lines into columns of cells, with pandas.

One rule: a text is passed on once, however often a column repeats it. Columns with few texts are
read as categories, columns with many numbers as integers, the rest as texts. The choice is made
once per block, from the block before, and never changes what a cell means.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO

import numpy as np
import pandas as pd

from harness.table.columns import Cells, Coded, Numbers
from harness.table.header import Heading
from harness.table.lines import Block

MANY = 256
"""A column with more texts than this, and more than one for four rows, has many texts."""
MAX_SURPRISES = 3
"""A column with new texts in more blocks than this has many texts."""

_TEXT = "str"
_NUMBER = None
"""Column types besides categories; without a type, pandas looks for integers."""

_Type = pd.CategoricalDtype | str | None


@dataclass
class CellReader:
    """Reads the blocks of one table; remembers the texts of columns that have few of them."""

    heading: Heading
    separator: str
    types: dict[int, _Type] = field(default_factory=dict)
    known: dict[int, list[str]] = field(default_factory=dict)
    surprises: Counter[int] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.types = dict.fromkeys(self.heading.used, _TEXT)

    def read(self, block: Block) -> Mapping[int, Cells]:
        """Cells of every used column by column number."""
        types = self.types
        if _NUMBER in types.values() and _may_hold_odd_numbers(block.body, self.separator):
            types = {number: _TEXT if kind is _NUMBER else kind for number, kind in types.items()}
        cells = self._columns(block.body, types)
        again = dict.fromkeys(types.keys() - cells.keys(), _TEXT)
        if again:
            cells |= self._columns(block.body, again)
        for number, coded in cells.items():
            if isinstance(coded, Coded) and (number in again or not self.surprises[number]):
                self._choose(number, coded)
        return cells

    def _columns(self, body: bytes, types: Mapping[int, _Type]) -> dict[int, Cells]:
        """Read some columns; those with cells that do not fit their type are left out."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # texts outside the categories: handled by read()
            frame = pd.read_csv(
                BytesIO(body),
                sep=self.separator,
                header=None,
                names=range(self.heading.width),
                usecols=list(types),
                dtype={n: kind for n, kind in types.items() if kind is not _NUMBER},
                index_col=False,
                na_filter=False,
                skip_blank_lines=False,
                low_memory=False,
                encoding="utf-8",
            )
        cells = {number: self._cells(number, frame[number], types[number]) for number in types}
        return {number: column for number, column in cells.items() if column is not None}

    def _cells(self, number: int, series: pd.Series, kind: _Type) -> Cells | None:
        if kind is _NUMBER:
            return Numbers(series.to_numpy()) if series.dtype == np.int64 else None
        if kind is not _TEXT:
            codes = series.cat.codes.to_numpy()
            return None if codes.min() < 0 else Coded(codes, self.known[number])
        if number not in self.heading.signals:
            return Coded(np.arange(len(series)), series.tolist())
        codes, texts = pd.factorize(series.to_numpy(dtype=object))
        return Coded(codes, texts.tolist())

    def _choose(self, number: int, cells: Coded) -> None:
        """Choose how to read a column in the next block, after it had new texts."""
        if self.types[number] is _NUMBER:
            self.types[number] = _TEXT
            return
        self.surprises[number] += 1
        texts = dict.fromkeys(cells.texts)
        many = len(texts) > MANY and len(texts) * 4 > len(cells.codes)
        if many or self.surprises[number] > MAX_SURPRISES:
            signal = self.heading.signals.get(number)
            counts = many and signal is not None and signal.bus.width > 1
            self.types[number] = _NUMBER if counts else _TEXT
        else:
            self.known[number] = list(dict.fromkeys(self.known.get(number, ())) | texts)
            self.types[number] = pd.CategoricalDtype(pd.Index(self.known[number], dtype=object))


def _may_hold_odd_numbers(body: bytes, separator: str) -> bool:
    """Tell whether any number might be quoted, start with zero or a sign, or have spaces around it.

    Reading such a cell as an integer would lose what its author wrote.
    """
    if b'"' in body:
        return True
    view = np.frombuffer(b"\n" + body + b"\n\n", np.uint8)
    ends = (ord(separator), ord("\n"), ord("\r"))
    for mark in b" +-":
        if mark in body:
            at = np.flatnonzero(view == mark)
            if np.isin(view[at - 1], ends).any() or np.isin(view[at + 1], ends).any():
                return True
    zeros = view[1:-1] == ord("0")
    zeros &= view[2:] - np.uint8(ord("0")) <= 9
    return bool(np.isin(view[np.flatnonzero(zeros)], ends).any())

"""Blocks of lines into columns of cells, by pandas.

One rule: a text is handed on once however often it stands in a column. Columns of few texts are
read as categories, columns of many numbers as integers, the rest as texts; which of them is
chosen once a block, from the block before, and never changes what a cell means.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from io import BytesIO

import numpy as np
import pandas as pd

from harness.table.columns import Cells, Coded, Numbers
from harness.table.header import Heading
from harness.table.lines import Block

MANY = 256
"""More texts than this, and more than one row in four, make a column one of many texts."""
MOST_SURPRISES = 3
"""A column that shows new texts in more blocks than this is one of many texts."""


class _Kind(Enum):
    """How pandas reads a column in the next block."""

    FEW = "one of the texts seen so far"
    MANY_NUMBERS = "a whole number"
    MANY = "any text"


@dataclass
class CellReader:
    """Reads blocks of one table; remembers the texts of columns that hold few of them."""

    heading: Heading
    separator: str
    kinds: dict[int, _Kind] = field(default_factory=dict)
    texts: dict[int, list[str]] = field(default_factory=dict)
    types: dict[int, pd.CategoricalDtype] = field(default_factory=dict)
    surprises: Counter[int] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.kinds = dict.fromkeys(self.heading.used, _Kind.FEW)
        self.texts = {column: [] for column in self.heading.used}

    def read(self, block: Block) -> Mapping[int, Cells]:
        """Cells of every used column by column number."""
        unsafe = _Kind.MANY_NUMBERS in self.kinds.values() and (
            block.quoted or _may_hold_odd_numbers(block.body, self.separator)
        )
        kinds = {
            column: _Kind.MANY if unsafe and kind is _Kind.MANY_NUMBERS else kind
            for column, kind in self.kinds.items()
        }
        cells: dict[int, Cells] = {}
        again: dict[int, _Kind] = {}
        for column, series in self._frame(block.body, kinds).items():
            found = self._cells(int(str(column)), series, kinds[int(str(column))])
            if found is None:
                again[int(str(column))] = _Kind.MANY
            else:
                cells[int(str(column))] = found
        if again:
            for column, series in self._frame(block.body, again).items():
                cells[int(str(column))] = self._surprise(int(str(column)), series)
        return cells

    def _frame(self, body: bytes, kinds: Mapping[int, _Kind]) -> pd.DataFrame:
        """Read the given columns; a column whose first text is still to come is any text."""
        types: dict[int, object] = {}
        for column, kind in kinds.items():
            if kind is _Kind.FEW and self.texts[column]:
                types[column] = self.types[column]
            elif kind is not _Kind.MANY_NUMBERS:
                types[column] = "str"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # texts outside the categories are dealt with below
            return pd.read_csv(
                BytesIO(body),
                sep=self.separator,
                header=None,
                names=range(self.heading.width),
                usecols=list(kinds),
                dtype=types,  # type: ignore[arg-type]  # the stubs know no numbered columns
                index_col=False,
                na_filter=False,
                skip_blank_lines=False,
                low_memory=False,
                encoding="utf-8",
            )

    def _cells(self, column: int, series: pd.Series, kind: _Kind) -> Cells | None:
        """Cells of a column as it was read; None where it holds what was not foreseen."""
        if kind is _Kind.MANY_NUMBERS:
            return Numbers(series.to_numpy()) if series.dtype == np.int64 else None
        if kind is _Kind.FEW:
            if not self.texts[column]:
                return None
            codes = series.cat.codes.to_numpy()
            return None if codes.min() < 0 else Coded(codes, self.texts[column])
        if column in self.heading.signals:
            return _coded(series)
        return Coded(np.arange(len(series)), series.tolist())

    def _surprise(self, column: int, series: pd.Series) -> Coded:
        """Read a column as texts and choose how it is read in the next block."""
        coded = _coded(series)
        if self.kinds[column] is _Kind.MANY_NUMBERS:
            self.kinds[column] = _Kind.MANY
            return coded
        self.surprises[column] += 1
        many = len(coded.texts) > MANY and len(coded.texts) * 4 > len(series)
        if many or self.surprises[column] > MOST_SURPRISES:
            signal = self.heading.signals.get(column)
            counts = many and signal is not None and signal.bus.width > 1
            self.kinds[column] = _Kind.MANY_NUMBERS if counts else _Kind.MANY
        else:
            self.texts[column] = list(dict.fromkeys([*self.texts[column], *coded.texts]))
            self.types[column] = pd.CategoricalDtype(pd.Index(self.texts[column], dtype=object))
        return coded


def _coded(series: pd.Series) -> Coded:
    codes, texts = pd.factorize(series.to_numpy(dtype=object))
    return Coded(codes, texts.tolist())


def _may_hold_odd_numbers(body: bytes, separator: str) -> bool:
    """Tell whether any number might start with zero or a sign, or have spaces around it.

    Reading such a cell as an integer would lose what its author wrote.
    """
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

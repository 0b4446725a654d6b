"""Tables of values as CSV for spreadsheets.

The one rule: text that a spreadsheet would take for a formula starts with an apostrophe; a number
stays a number.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

from harness.errors import no_formula, printable

Cell = str | int | float


def csv_bytes(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """Return a heading and rows as UTF-8 (RFC 4180)."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([_cell(name) for name in columns])
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8")


def _cell(value: Cell) -> Cell:
    if not isinstance(value, str) and math.isfinite(value):
        return value
    return printable(no_formula(str(value)))  # before control characters are made visible

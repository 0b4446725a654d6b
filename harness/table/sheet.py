"""Reads the first sheet of a spreadsheet (XLSX, ODS) as a table, with pandas.

One rule: a sheet becomes the same columns of texts as a text file, so that all later steps are
shared. Lines are the sheet's row numbers, columns its column numbers (A is 1).
"""

from __future__ import annotations

import hashlib
import warnings
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.door import MAX_SHEET_BYTES
from harness.errors import Findings, Location
from harness.shuttle import read_bytes
from harness.table.assemble import Assembler
from harness.table.columns import Coded
from harness.table.pattern import Pattern
from harness.table.workbook import SheetUnfit, look_through


def read_sheet(table: Assembler) -> Pattern | None:
    """Read the first sheet of the table's file; None after findings if it cannot be read."""
    path, findings = table.spec.path, table.findings
    data = read_bytes(path, findings, MAX_SHEET_BYTES)
    if data is None:
        return None
    try:
        look_through(data)
    except SheetUnfit as unfit:
        findings.error(unfit.rule, Location(path), unfit.message, unfit.advice)
        return None
    cells = _texts(data, path, findings)
    if cells is None:
        return None
    lines = [
        row
        for row in range(len(cells))
        if any(cells[row]) and not next(filter(None, cells[row])).startswith("#")
    ]
    if not lines:
        return None
    width = np.flatnonzero(cells[lines[0]])[-1] + 1
    names = cells[lines[0], :width].tolist()
    rows = np.array(lines[1:], np.int64)
    _check_width(cells, rows, width, path, findings)
    heading = table.head(names, lambda column: Location(path, lines[0] + 1, column + 1))
    if len(rows) and heading.used:
        factors = {number: pd.factorize(cells[rows, number]) for number in heading.used}
        table.add(
            {number: Coded(codes, texts.tolist()) for number, (codes, texts) in factors.items()},
            (rows + 1).astype(np.int32),
            lambda row, column: Location(path, int(rows[row]) + 1, column + 1),
        )
    return table.finish(hashlib.sha256(data).hexdigest())


def _texts(data: bytes, path: Path, findings: Findings) -> NDArray[np.object_] | None:
    """All cells as texts, or None after a finding if this is not a spreadsheet."""
    is_ods = path.suffix.lower() == ".ods"
    engine: Literal["odf", "openpyxl"] = "odf" if is_ods else "openpyxl"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = pd.read_excel(
                BytesIO(data), header=None, dtype="object", engine=engine, na_filter=False
            )
    except Exception as trouble:  # noqa: BLE001 - both libraries raise many types on bad bytes
        findings.error(
            "bad-spreadsheet",
            Location(path),
            f"the spreadsheet cannot be read: {type(trouble).__name__}",
            "save it again as .xlsx or .ods, or export it as .csv",
        )
        return None
    cells: NDArray[np.object_] = frame.to_numpy(dtype=object, copy=True)
    seen: dict[str, str] = {}  # equal texts are kept once
    for row in cells:
        row[:] = [seen.setdefault(text, text) for text in map(_text, row)]
    marked = np.frompyfunc(lambda text: "\0" in text, 1, 1)(cells).astype(np.bool_)
    for row, column in np.argwhere(marked).tolist():  # in case a library lets one through
        place = Location(path, row + 1, column + 1)
        findings.error("nul-byte", place, "the cell contains a NUL character", "retype its text")
    return None if marked.any() else cells


def _text(cell: object) -> str:
    """Text of a cell as the author sees it; whole numbers without a decimal point."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()


def _check_width(
    cells: NDArray[np.object_], rows: NDArray[np.int64], width: int, path: Path, findings: Findings
) -> None:
    for row in rows.tolist():
        beyond = [column for column in range(width, cells.shape[1]) if cells[row, column]]
        if beyond:
            findings.error(
                "ragged-row",
                Location(path, row + 1, beyond[0] + 1),
                f"this cell is beyond the {width:,} columns of the header",
                "name its column, or clear the cell",
            )

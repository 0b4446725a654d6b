"""Tables kept in a spreadsheet (XLSX, ODS), read through pandas: the first sheet counts.

One rule: a sheet becomes the same columns of texts as a text file, so that everything after
reading is shared. Lines are the sheet's row numbers, columns its column numbers (A is 1).
"""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.door import LARGEST_SHEET
from harness.errors import Findings, Location
from harness.shuttle import read_bytes
from harness.table.columns import Coded
from harness.table.header import Heading
from harness.table.workbook import SheetUnfit, look_through


@dataclass(frozen=True)
class Sheet:
    """A sheet's header and rows, comments and empty rows left out. ``line`` counts from 1."""

    names: list[str]
    header_line: int
    cells: NDArray[np.object_]
    line: NDArray[np.int32]
    sha256: str

    def columns(self, heading: Heading) -> dict[int, Coded]:
        """Return the used columns by number."""
        coded: dict[int, Coded] = {}
        for number in heading.used:
            codes, texts = pd.factorize(self.cells[:, number])
            coded[number] = Coded(codes, texts.tolist())
        return coded


def read_sheet(path: Path, findings: Findings) -> Sheet | None:
    """Read the first sheet of a file; None after a finding if it has no header."""
    data = read_bytes(path, findings, LARGEST_SHEET)
    if data is None:
        return None
    try:
        look_through(data)
    except SheetUnfit as unfit:
        findings.error(unfit.rule, Location(path), unfit.message, unfit.advice)
        return None
    texts = _texts(data, path, findings)
    if texts is None:
        return None
    return _sheet(texts, hashlib.sha256(data).hexdigest(), path, findings)


def _texts(data: bytes, path: Path, findings: Findings) -> NDArray[np.object_] | None:
    """All cells as texts, or None after the finding that this is no spreadsheet."""
    is_ods = path.suffix.lower() == ".ods"
    engine: Literal["odf", "openpyxl"] = "odf" if is_ods else "openpyxl"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = pd.read_excel(
                BytesIO(data), header=None, dtype="object", engine=engine, na_filter=False
            )
    except Exception as trouble:  # noqa: BLE001 - both libraries raise all kinds on bad bytes
        findings.error(
            "bad-spreadsheet",
            Location(path),
            f"not a spreadsheet that can be read: {type(trouble).__name__}",
            "save it again as .xlsx or .ods, or export it as .csv",
        )
        return None
    cells: NDArray[np.object_] = frame.to_numpy(dtype=object, copy=True)
    seen: dict[str, str] = {}  # equal texts are kept once, however often a cell repeats one
    for row in cells:
        row[:] = [seen.setdefault(text, text) for text in map(_text, row)]
    return cells if _without_nul(cells, path, findings) else None


def _without_nul(cells: NDArray[np.object_], path: Path, findings: Findings) -> bool:
    """Refuse NULs, should a library ever hand one over: nothing after this can keep them."""
    places = [
        Location(path, row + 1, column + 1)
        for row, texts in enumerate(cells.tolist())
        for column, text in enumerate(texts)
        if "\0" in text
    ]
    for place in places:
        findings.error("nul-byte", place, "the cell holds a NUL", "type its text again")
    return not places


def _text(cell: object) -> str:
    """Text of a cell as its author sees it; whole numbers without a decimal point."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()


def _sheet(cells: NDArray[np.object_], sha256: str, path: Path, findings: Findings) -> Sheet | None:
    kept = [
        row
        for row in range(len(cells))
        if any(cells[row]) and not next(filter(None, cells[row])).startswith("#")
    ]
    if not kept:
        return None
    header = cells[kept[0]]
    width = max(column for column in range(len(header)) if header[column]) + 1
    rows = np.array(kept[1:], np.int64)
    _check_width(cells, rows, width, path, findings)
    return Sheet(
        names=[str(name) for name in header[:width]],
        header_line=kept[0] + 1,
        cells=cells[rows, :width],
        line=(rows + 1).astype(np.int32),
        sha256=sha256,
    )


def _check_width(
    cells: NDArray[np.object_], rows: NDArray[np.int64], width: int, path: Path, findings: Findings
) -> None:
    for row in rows.tolist():
        beyond = [column for column in range(width, cells.shape[1]) if cells[row, column]]
        if beyond:
            findings.error(
                "ragged-row",
                Location(path, row + 1, beyond[0] + 1),
                f"a cell stands beyond the {width} columns of the header",
                "name its column, or clear it",
            )

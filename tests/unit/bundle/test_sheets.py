"""A spreadsheet in a bundle keeps its cells and loses its author."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Literal

import openpyxl
import pandas as pd
import pytest

from harness.bundle.sheets import sheet_without_secrets
from reports import Scrubber

FRAME = pd.DataFrame({"clk": ["C", "C"], "q": ["H", "L"], "note": ["in /home/mallory/x", "plain"]})


def test_a_workbook_loses_names_and_paths_and_keeps_cells(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    FRAME.to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    book.properties.creator = "Mallory Example"
    book.properties.lastModifiedBy = "mallory"
    book.save(path)
    clean = sheet_without_secrets(path.read_bytes(), Scrubber())
    assert sheet_without_secrets(path.read_bytes(), Scrubber()) == clean
    again = openpyxl.load_workbook(io.BytesIO(clean))
    assert not again.properties.creator
    assert not again.properties.lastModifiedBy
    found = pd.read_excel(io.BytesIO(clean))
    assert found["q"].tolist() == ["H", "L"]
    assert found["note"].tolist() == ["in (path)/x", "plain"]


@pytest.mark.parametrize("engine", ["odf", "openpyxl"])
def test_a_cleaned_sheet_still_opens(tmp_path: Path, engine: Literal["odf", "openpyxl"]) -> None:
    path = tmp_path / ("t.ods" if engine == "odf" else "t.xlsx")
    FRAME.to_excel(str(path), index=False)  # the ending of the name chooses the kind
    clean = sheet_without_secrets(path.read_bytes(), Scrubber())
    found = pd.read_excel(io.BytesIO(clean), engine=engine)
    assert found["q"].tolist() == ["H", "L"]
    assert "mallory" not in str(found)

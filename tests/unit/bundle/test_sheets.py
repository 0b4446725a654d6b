"""A spreadsheet in a bundle keeps its cells and loses its author."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Literal

import openpyxl
import pandas as pd
import pytest

from harness.bundle.sheets import sheet_without_secrets
from harness_reports import Scrubber

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


def cleaned_cell(tmp_path: Path, cell: str, scrubber: Scrubber) -> object:
    path = tmp_path / "t.xlsx"
    pd.DataFrame({"note": [cell]}).to_excel(path, index=False)
    clean = sheet_without_secrets(path.read_bytes(), scrubber)
    return pd.read_excel(io.BytesIO(clean))["note"][0]


@pytest.mark.parametrize(
    ("cell", "after"),
    [
        ("/home/eve/lab/x.csv", "(path)/x.csv"),
        ("ask Mallory", "ask (user)"),
        ("a < b & postgresql://eve:x@db/y", "a < b & postgresql://(address)"),
        ('password = "hun<ter" & more', 'password = "(password)" & more'),
        ("a < b & \"c\" > 'd'", "a < b & \"c\" > 'd'"),
    ],
)
def test_each_word_may_stand_in_a_cell(tmp_path: Path, cell: str, after: str) -> None:
    assert cleaned_cell(tmp_path, cell, Scrubber(names=("mallory",))) == after


def test_an_account_called_like_an_element_breaks_no_sheet(tmp_path: Path) -> None:
    assert cleaned_cell(tmp_path, "H", Scrubber(names=("sheetdata", "row", "sheet1"))) == "H"


def test_links_and_own_properties_tell_of_nobody(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    FRAME.to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    sheet["A2"].hyperlink = "file:///C:/Users/eve/x.csv"
    sheet["A3"].hyperlink = "mailto:jane.doe"
    sheet.protection.set_password("hunter2")
    prop = openpyxl.packaging.custom.StringProperty(name="Owner", value="Jane Doe")
    book.custom_doc_props.append(prop)
    book.save(path)
    clean = sheet_without_secrets(path.read_bytes(), Scrubber())
    with zipfile.ZipFile(io.BytesIO(clean)) as archive:
        whole = b"".join(archive.read(name) for name in archive.namelist())
    for secret in (b"Users", b"eve/", b"jane", b"Jane", b"sheetProtection"):
        assert secret not in whole, secret
    links = openpyxl.load_workbook(io.BytesIO(clean)).worksheets[0]
    assert links["A2"].hyperlink.target == "file://(address)"
    assert links["A3"].hyperlink.target == "mailto:(address)"


def test_what_is_no_xml_is_left_out_with_what_points_to_it(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    FRAME.to_excel(path, index=False)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/printerSettings/printerSettings1.bin", b"\\\\eve\\printer")
        archive.writestr("docProps/thumbnail.jpeg", b"eve")
        archive.writestr(
            "xl/worksheets/_rels/sheet1.xml.rels",
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            '<Relationship Id="rId1" Type="x" Target="../printerSettings/printerSettings1.bin"/>'
            "</Relationships>",
        )
    clean = sheet_without_secrets(path.read_bytes(), Scrubber())
    with zipfile.ZipFile(io.BytesIO(clean)) as archive:
        assert not [name for name in archive.namelist() if name.endswith((".bin", ".jpeg"))]
        assert b"printerSettings1" not in archive.read("xl/worksheets/_rels/sheet1.xml.rels")
    openpyxl.load_workbook(io.BytesIO(clean))
    assert pd.read_excel(io.BytesIO(clean))["q"].tolist() == ["H", "L"]

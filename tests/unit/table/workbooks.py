"""Spreadsheets for tests: made whole by a library, then changed inside or written by hand."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from io import BytesIO

import pandas as pd

NAMES = ("t.xlsx", "t.ods")
SHEET = {"t.xlsx": "xl/worksheets/sheet1.xml", "t.ods": "content.xml"}
"""Where a spreadsheet keeps its first sheet."""

_ODS_KIND = "application/vnd.oasis.opendocument.spreadsheet"
_OPEN = "urn:oasis:names:tc:opendocument:xmlns"
_MANIFEST = (
    f'<m:manifest xmlns:m="{_OPEN}:manifest:1.0">'
    f'<m:file-entry m:full-path="/" m:media-type="{_ODS_KIND}"/>'
    '<m:file-entry m:full-path="content.xml" m:media-type="text/xml"/></m:manifest>'
)
_CONTENT = (
    f'<o:document-content xmlns:o="{_OPEN}:office:1.0" xmlns:t="{_OPEN}:table:1.0" '
    f'xmlns:x="{_OPEN}:text:1.0"><o:body><o:spreadsheet>%s</o:spreadsheet></o:body>'
    "</o:document-content>"
)


def workbook(rows: list[list[object]], name: str) -> bytes:
    """Return a spreadsheet with these cells in its first sheet."""
    data = BytesIO()
    with pd.ExcelWriter(data, engine="odf" if name.endswith("ods") else "openpyxl") as writer:
        pd.DataFrame(rows).to_excel(writer, header=False, index=False)
    return data.getvalue()


def members(data: bytes) -> dict[str, bytes]:
    """Return what is in a zip."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(files: Mapping[str, bytes | str]) -> bytes:
    """Return a zip of these files."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return stream.getvalue()


def xlsx(rows: str) -> bytes:
    """Return an XLSX whose first sheet has these rows, as XML."""
    files = members(workbook([["d"]], "t.xlsx"))
    text = files[SHEET["t.xlsx"]].decode()
    head, tail = text[: text.index("<sheetData>")], text[text.index("</sheetData>") :]
    return packed({**files, SHEET["t.xlsx"]: f"{head}<sheetData>{rows}{tail}"})


def ods(tables: str) -> bytes:
    """Return an ODS with these tables, as XML: ``t:`` for tables, ``o:`` office, ``x:`` text."""
    files = {"mimetype": _ODS_KIND, "META-INF/manifest.xml": _MANIFEST}
    return packed({**files, "content.xml": _CONTENT % tables})

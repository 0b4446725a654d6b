"""A second reading of spreadsheets: the archive whole, its XML strict, the first sheet's texts.

One rule: what is not certain is said so, not guessed. ECMA-376 part 1 (SpreadsheetML) and
OpenDocument 1.3 part 3 (table and text content) say what the elements mean.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from xml.etree import ElementTree as ET

Rows = list[tuple[int, list[str]]]

MOST = 20_000
"""Maximum number of cells: a sheet with more is a bomb."""
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
_PLACE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")
_NUMBER = re.compile(r"-?[0-9]{1,15}(\.[0-9]+)?")


class Damaged(Exception):
    """The file is not whole."""


class Unsure(Exception):
    """The file may be whole, but this reader does not know what it means."""


def read_sheet_plainly(data: bytes, suffix: str) -> Rows:
    """Rows with any text, with their numbers from 1. Raises Damaged or Unsure."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        grid = list(_ods(files) if suffix == ".ods" else _xlsx(files))
    except (Damaged, Unsure):
        raise
    except Exception as why:
        raise Damaged(f"{type(why).__name__}: {why}") from why
    kept = [(number, texts) for number, texts in grid if any(texts)]
    kept = [row for row in kept if not next(filter(None, row[1])).startswith("#")]
    return _squared(kept)


def _squared(rows: Rows) -> Rows:
    """Cut to the header's width; what stands beyond makes a table that is refused."""
    if not rows:
        return rows
    width = max(at for at, text in enumerate(rows[0][1]) if text) + 1
    for _, texts in rows:
        if any(texts[width:]):
            raise Damaged("a cell stands beyond the header")
    return [(number, (texts + [""] * width)[:width]) for number, texts in rows]


def _as_number(text: str | None) -> str:
    if text is None or _NUMBER.fullmatch(text) is None:
        raise Unsure(f"the number {text!r}")
    return str(int(float(text))) if float(text).is_integer() else str(float(text))


def _ods(files: dict[str, bytes]) -> Iterator[tuple[int, list[str]]]:
    body = ET.fromstring(files["content.xml"]).find(f"{_OFFICE}body/{_OFFICE}spreadsheet")
    sheet = None if body is None else body.find(f"{_TABLE}table")
    if sheet is None:
        raise Damaged("no sheet")
    if any(child.tag not in {f"{_TABLE}table-row", f"{_TABLE}table-column"} for child in sheet):
        raise Unsure("groups, headers or others")
    number = 0
    for row in sheet.findall(f"{_TABLE}table-row"):
        texts = list(_ods_row(row))
        times = int(row.get(f"{_TABLE}number-rows-repeated", "1"))
        if times < 1 or (any(texts) and times * len(texts) > MOST):
            raise Unsure("repeats")
        for again in range(times if any(texts) else 0):
            yield number + again + 1, texts
        number += times


def _ods_row(row: ET.Element) -> Iterator[str]:
    for cell in row:
        if cell.tag != f"{_TABLE}table-cell":
            raise Unsure(cell.tag)
        times = int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
        text = _ods_cell(cell).strip()
        if times < 1 or (text and times > MOST):
            raise Unsure("repeats")
        yield from [text] * min(times, MOST)


def _ods_cell(cell: ET.Element) -> str:
    kind = cell.get(f"{_OFFICE}value-type")
    if kind is None:
        if "".join(cell.itertext()).strip():
            raise Unsure("a text without a type")
        return ""
    if kind == "float":
        return _as_number(cell.get(f"{_OFFICE}value"))
    if kind != "string":
        raise Unsure(f"a value of type {kind}")
    if any(child.tag != f"{_TEXT}p" or len(child) for child in cell) or len(cell) > 1:
        raise Unsure("a text in parts")
    if (cell.text or "").strip() or any((child.tail or "").strip() for child in cell):
        raise Unsure("a text outside of its paragraph")
    text = "".join(child.text or "" for child in cell)
    if text != " ".join(text.split()) or cell.get(f"{_OFFICE}string-value", text) != text:
        raise Unsure("white space, or two texts")
    return text


def _xlsx(files: dict[str, bytes]) -> Iterator[tuple[int, list[str]]]:
    shared = _shared(files)
    for row in ET.fromstring(_xlsx_sheet(files)).findall(f"{_MAIN}sheetData/{_MAIN}row"):
        texts: list[str] = []
        number = int(row.get("r", "0"))
        for cell in row:
            place = _PLACE.fullmatch(cell.get("r", ""))
            if cell.tag != f"{_MAIN}c" or place is None or int(place[2]) != number:
                raise Unsure("a cell without its place")
            column = 0
            for letter in place[1]:
                column = column * 26 + ord(letter) - 64
            if column <= len(texts) or column > MOST:
                raise Unsure("cells out of order")
            texts += [""] * (column - len(texts) - 1) + [_xlsx_cell(cell, shared).strip()]
        yield number, texts


def _shared(files: dict[str, bytes]) -> list[str]:
    if "xl/sharedStrings.xml" not in files:
        return []
    root = ET.fromstring(files["xl/sharedStrings.xml"])
    return [_xlsx_text(item) for item in root.findall(f"{_MAIN}si")]


def _xlsx_text(item: ET.Element) -> str:
    if any(part.tag != f"{_MAIN}t" or len(part) for part in item) or len(item) > 1:
        raise Unsure("a text in parts")
    if (item.text or "").strip() or any((part.tail or "").strip() for part in item):
        raise Unsure("a text outside of its element")
    text = "".join(part.text or "" for part in item)
    if "_x" in text or text != " ".join(text.split()):
        raise Unsure("a text with escapes or white space")
    return text


def _xlsx_sheet(files: dict[str, bytes]) -> bytes:
    book = ET.fromstring(files["xl/workbook.xml"])
    sheets = book.findall(f"{_MAIN}sheets/{_MAIN}sheet")
    links = ET.fromstring(files["xl/_rels/workbook.xml.rels"])
    wanted = sheets[0].get(f"{_LINK}id")
    found = [link.get("Target", "") for link in links if link.get("Id") == wanted]
    if len(found) != 1:
        raise Damaged("the first sheet is not linked")
    return files["xl/" + found[0].removeprefix("/xl/")]


def _xlsx_cell(cell: ET.Element, shared: list[str]) -> str:
    kind = cell.get("t", "n")
    if kind == "inlineStr":
        if len(cell) > 1 or any(item.tag != f"{_MAIN}is" for item in cell):
            raise Unsure("a text in parts")
        return "".join(_xlsx_text(item) for item in cell)
    values = cell.findall(f"{_MAIN}v")
    if len(values) != len(cell) or len(values) > 1:
        raise Unsure("a formula or others")
    if not values or values[0].text is None:
        return ""
    if kind == "s":
        return shared[int(values[0].text)]
    if kind != "n" or cell.get("s", "0") != "0":
        raise Unsure(f"a cell of type {kind} or with a style")
    return _as_number(values[0].text)

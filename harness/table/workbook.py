"""Checks a spreadsheet, a zip of XML files, before a library reads it.

One rule: a spreadsheet that passes is complete and small. Every member matches its checksum and is
well-formed to its end, so nothing is dropped silently; and the size of what a library would build,
including repeat counts and distant cells, is bounded before memory is used for it.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

from harness.door import MAX_SHEET_BYTES

MAX_MEMBERS = 1_000
"""Maximum number of files in the zip: sheets, styles, pictures."""

MAX_PARTS = 1_000_000
"""Maximum number of elements, each counted four times, and attributes.

A library keeps about 1 kB for an element and 0.25 kB for an attribute. A cell with its text counts
as about ten."""

MAX_CELLS = 1_000_000
"""Maximum number of rows of a sheet times its widest row."""

MAX_FORMAT_LETTERS = 255
"""Maximum length of a number format; a library searches it in quadratic time."""

_MAX_DEPTH = 64
_PIECE = 1 << 16
_LAST_ROW, _LAST_COLUMN = 1_048_576, 16_384
_XML_NAMES = (".xml", ".rels", ".rdf", ".vml")
_OPEN = "urn:oasis:names:tc:opendocument:xmlns:"
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_TABLE, _ODS_ROW = f"{_OPEN}table:1.0 table", f"{_OPEN}table:1.0 table-row"
_ODS_CELLS = (f"{_OPEN}table:1.0 table-cell", f"{_OPEN}table:1.0 covered-table-cell")
_ROWS_REPEATED = f"{_OPEN}table:1.0 number-rows-repeated"
_COLUMNS_REPEATED = f"{_OPEN}table:1.0 number-columns-repeated"
_VALUE_TYPE = f"{_OPEN}office:1.0 value-type"
_SPACES, _SPACE_COUNT = f"{_OPEN}text:1.0 s", f"{_OPEN}text:1.0 c"
_SHEET, _XLSX_ROW, _XLSX_CELL = f"{_MAIN} worksheet", f"{_MAIN} row", f"{_MAIN} c"
_FORMAT = f"{_MAIN} numFmt"
_COUNT = re.compile(r"([0-9]{1,10})(?:\.0+)?")
_REFERENCE = re.compile(r"([A-Z]{1,3})([0-9]{1,10})")
_SAVE_AGAIN = "save it again as .xlsx or .ods, or export it as .csv"
_TO_CSV = "save the table as CSV, which may be longer"


class SheetUnfit(Exception):
    """A spreadsheet that must not be read; ``rule``, ``message`` and ``advice`` of a finding."""

    def __init__(self, rule: str, message: str, advice: str) -> None:
        super().__init__(message)
        self.rule, self.message, self.advice = rule, message, advice


def look_through(data: bytes) -> None:
    """Raise SheetUnfit for a spreadsheet that is damaged or would cost too much to read."""
    if len(data) > MAX_SHEET_BYTES:
        raise _too_large(MAX_SHEET_BYTES, "bytes")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _look_into(archive)
    except (zipfile.BadZipFile, zlib.error, RuntimeError, ValueError, OSError, EOFError) as trouble:
        message = f"the spreadsheet cannot be read: {trouble or type(trouble).__name__}"
        raise _damaged(message) from trouble


def _look_into(archive: zipfile.ZipFile) -> None:
    members = archive.infolist()
    if len(members) > MAX_MEMBERS:
        raise _too_large(MAX_MEMBERS, "files in it")
    if len({info.filename for info in members}) < len(members):
        raise _damaged("the spreadsheet is damaged: two files in it have the same name")
    budget = _Budget()
    for info in members:
        with archive.open(info) as member:
            _look_at(info.filename, member, budget)


def _look_at(name: str, member: IO[bytes], budget: _Budget) -> None:
    """Read one member to its end; only a member with an XML name must be XML."""
    place = ""
    paid = _Paid(member, budget)
    try:
        _Member(budget).parser.ParseFile(paid)
    except expat.ExpatError as trouble:
        what = expat.ErrorString(trouble.code)
        place = f"{name}, line {trouble.lineno}, column {trouble.offset + 1}: {what}"
    except (LookupError, ValueError) as trouble:  # an unknown encoding
        place = f"{name}: {trouble}"
    if place and name.lower().endswith(_XML_NAMES):
        raise _damaged(f"the spreadsheet is damaged: {place}")
    while paid.read():
        pass


@dataclass
class _Budget:
    """The total cost of the members of one spreadsheet."""

    size: int = 0
    parts: int = 0

    def spend_bytes(self, count: int) -> None:
        self.size += count
        if self.size > MAX_SHEET_BYTES:
            raise _too_large(MAX_SHEET_BYTES, "bytes when unpacked")

    def spend_parts(self, count: int) -> None:
        self.parts += count
        if self.parts > MAX_PARTS:
            raise _too_large(MAX_PARTS // 10, "cells, or as many other parts")


@dataclass
class _Paid:
    """A member whose bytes are charged to the budget as they are read."""

    member: IO[bytes]
    budget: _Budget

    def read(self, size: int = _PIECE, /) -> bytes:
        piece = self.member.read(size)
        self.budget.spend_bytes(len(piece))
        return piece


@dataclass
class _Member:
    """One member as it is streamed; ``row`` and ``column`` are a reader's position."""

    budget: _Budget
    parser: expat.XMLParserType = field(init=False)
    depth: int = 0
    row: int = 0
    column: int = 0
    widest: int = 0
    passed: int = 0
    open: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.StartDoctypeDeclHandler = _refuse_doctype

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self.budget.spend_parts(4 + len(attributes))
        self.depth += 1
        if self.depth > _MAX_DEPTH:
            raise _damaged(f"the spreadsheet's XML is nested more than {_MAX_DEPTH} levels deep")
        if name in (_TABLE, _SHEET):
            self._enter(name)
            self.row = self.widest = self.passed = 0
        elif name in (_ODS_ROW, _XLSX_ROW):
            self._enter(name)
            self._begin_row(name, attributes)
        elif name in _ODS_CELLS:
            self.column += _count(attributes.get(_COLUMNS_REPEATED, "1"))
            if _VALUE_TYPE in attributes:
                self._fill()
        elif name == _XLSX_CELL:
            self._begin_cell(attributes.get("r"))
        else:
            self._begin_other(name, attributes)

    def _begin_other(self, name: str, attributes: dict[str, str]) -> None:
        if _ODS_ROW in self.open or _XLSX_ROW in self.open:
            self._fill()  # anything inside a cell may be a value
        if name == _SPACES:
            self.budget.spend_bytes(_count(attributes.get(_SPACE_COUNT, "1")))
        elif name == _FORMAT and len(attributes.get("formatCode", "")) > MAX_FORMAT_LETTERS:
            raise _damaged(f"a number format has more than {MAX_FORMAT_LETTERS} characters")

    def _end(self, name: str) -> None:
        self.depth -= 1
        self.open.discard(name)

    def _enter(self, name: str) -> None:
        """Note an open table or row: one inside another would be counted wrongly."""
        if name in self.open:
            raise _damaged("the spreadsheet is damaged: a table or row is inside another")
        self.open.add(name)

    def _begin_row(self, name: str, attributes: dict[str, str]) -> None:
        self.column = 0
        if name == _ODS_ROW:
            self.row += _count(attributes.get(_ROWS_REPEATED, "1"))
            return
        before, self.row = self.row, _count(attributes.get("r", str(self.row + 1)))
        if not before < self.row <= _LAST_ROW:
            raise _damaged(f"the spreadsheet is damaged: row {self.row} follows row {before}")

    def _begin_cell(self, reference: str | None) -> None:
        """Go to a cell of XLSX; a reader fills the gap after the previous one."""
        before = self.column
        self.column = before + 1 if reference is None else self._column_of(reference)
        if not before < self.column <= _LAST_COLUMN:
            raise _damaged(f"the spreadsheet is damaged: cell {reference} is out of order")
        self.passed += self.column - before
        self._bound(self.passed)

    def _column_of(self, reference: str) -> int:
        match = _REFERENCE.fullmatch(reference)
        if match is None or int(match[2]) != self.row:
            shown = reference[:40]
            raise _damaged(f"the spreadsheet is damaged: cell {shown} is in row {self.row}")
        column = 0
        for letter in match[1]:
            column = 26 * column + ord(letter) - ord("A") + 1
        return column

    def _fill(self) -> None:
        """Note that the cell has a value: all rows become as wide as the widest such row."""
        self.widest = max(self.widest, self.column)
        self._bound(self.row * self.widest)

    def _bound(self, cells: int) -> None:
        if cells > MAX_CELLS:
            raise _too_large(MAX_CELLS, f"cells up to row {self.row}")


def _refuse_doctype(*_: object) -> None:
    raise _damaged("the spreadsheet has a document type definition, which it does not need")


def _count(text: str) -> int:
    match = _COUNT.fullmatch(text)
    if match is None or not int(match[1]):
        raise _damaged(f'the spreadsheet is damaged: "{text[:40]}" is not a count')
    return int(match[1])


def _damaged(message: str) -> SheetUnfit:
    return SheetUnfit("bad-spreadsheet", message, _SAVE_AGAIN)


def _too_large(most: int, what: str) -> SheetUnfit:
    message = f"the spreadsheet has more than {most:,} {what}"
    return SheetUnfit("file-too-large", message, _TO_CSV)

"""Attacks on spreadsheets: what is accepted has the rows that a strict reading finds."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pandas as pd

from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong
from tests.attack.damage import TEXT, damaged, insert_odd
from tests.attack.plain_sheet import Damaged, Unsure, read_sheet_plainly
from tests.attack.plain_table import Plain, Rows, Unsound, read_plainly
from tests.attack.zips import ARCHIVE, inside, unzipped, zipped
from tests.unit.table.tables import Desk, make_desk

ROWS: Sequence[Sequence[object]] = (
    ("# a comment", None, None, None, None),
    ("clk", "d", "q", "repeat", "label"),
    ("C", 5, "0b01x1", None, "first & last <x>"),
    (None, None, None, None, None),
    ("C", "0010", 3, "until 7", None),
    ("K", 11, "HLHL", 2, "caf\u00e9"),
    ("C", "0xF", "LLLL", None, None),
    ("C", "0xF", "LLLL", None, None),
    (0, "1111", "X", 12, "end"),
)
_PARTS = {
    ".ods": ("content.xml", "content.xml", "content.xml", "META-INF/manifest.xml"),
    ".xlsx": ("xl/worksheets/sheet1.xml", "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml",
              "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "[Content_Types].xml"),
}  # fmt: skip
XML = (*TEXT, insert_odd, insert_odd)


def sheet(suffix: str, rows: Sequence[Sequence[object]] = ROWS) -> bytes:
    """A spreadsheet of rows, as an office program would write it."""
    stream = io.BytesIO()
    engine = "odf" if suffix == ".ods" else "openpyxl"
    pd.DataFrame(list(rows)).to_excel(stream, header=False, index=False, engine=engine)  # type: ignore[arg-type]  # no odf in the stubs
    return stream.getvalue()


@dataclass(frozen=True)
class Sheets:
    """Spreadsheets of one suffix."""

    desk: Desk
    suffix: str
    sound: bytes

    def make(self, random: Random) -> bytes:
        if random.random() < 0.3:
            return damaged(self.sound, random, ARCHIVE)
        files = inside(unzipped(self.sound), random, _PARTS[self.suffix], XML)
        return zipped(files)

    def judge(self, case: bytes) -> str:
        pattern, findings = self.desk.check(case, f"t{self.suffix}")
        if findings:
            return REFUSED
        assert pattern is not None
        try:
            plain = self._plain(read_sheet_plainly(case, self.suffix))
        except Unsure:
            return "accepted, who knows"
        except Unsound as why:
            raise Wrong(f"a table is accepted that breaks a rule: {why}") from why
        except Damaged as why:
            if self.original.difference(pattern):
                raise Wrong(f"a damaged table is accepted and read as another: {why}") from why
            return "accepted, damaged where nobody reads"
        difference = plain.difference(pattern)
        if difference:
            raise Wrong(f"the table is read as another: {difference}")
        return SAME if plain == self.original else DIFFERENT

    @property
    def original(self) -> Plain:
        """What the table means before any damage."""
        return self._plain(read_sheet_plainly(self.sound, self.suffix))

    def _plain(self, rows: Rows) -> Plain:
        return read_plainly(rows, self.desk.design, self.desk.shuttle)


def ods_sheets(folder: Path) -> Attack:
    """OpenDocument spreadsheets."""
    return Sheets(make_desk(folder), ".ods", sheet(".ods"))


def xlsx_sheets(folder: Path) -> Attack:
    """Office Open XML spreadsheets."""
    return Sheets(make_desk(folder), ".xlsx", sheet(".xlsx"))

"""What is damaged in a spreadsheet or costs too much is reported before a library reads it."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.table import Pattern
from harness.table.workbook import SheetUnfit, look_through
from tests.unit.table.mutations import mutated
from tests.unit.table.tables import Desk
from tests.unit.table.workbooks import NAMES, SHEET, members, ods, packed, workbook, xlsx

ROWS: list[list[object]] = [["d", "q", "label"], *([n % 16, n % 16, f"r{n}"] for n in range(40))]
WHOLE = {name: workbook(ROWS, name) for name in NAMES}
SAVE = "save it again as .xlsx or .ods, or export it as .csv"
TO_CSV = "save the table as CSV, which may be longer"


def _complaint(data: bytes) -> tuple[str, str, str]:
    with pytest.raises(SheetUnfit) as caught:
        look_through(data)
    return caught.value.rule, caught.value.message, caught.value.advice


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "junk", [b"\x01", b"&#1;", b"\xff", b"<", b"\xef\xbf\xbf", b"\xed\xa0\x80"]
)
def test_what_xml_forbids_in_the_middle_of_a_sheet_is_refused(
    desk: Desk, name: str, junk: bytes
) -> None:
    files = members(WHOLE[name])
    sheet = files[SHEET[name]]
    at = sheet.index(b">", len(sheet) // 2) + 1
    data = packed({**files, SHEET[name]: sheet[:at] + junk + sheet[at:]})
    pattern, findings = desk.check(data, name)
    assert pattern is None
    assert [f.rule for f in findings] == ["bad-spreadsheet"]
    assert f"the spreadsheet is damaged: {SHEET[name]}, line " in findings[0].message


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_that_ends_early_is_refused(name: str) -> None:
    files = members(WHOLE[name])
    sheet = files[SHEET[name]]
    for size in range(0, len(sheet), len(sheet) // 7):
        rule, message, _ = _complaint(packed({**files, SHEET[name]: sheet[:size]}))
        assert (rule, message[:27]) == ("bad-spreadsheet", "the spreadsheet is damaged:")


@pytest.mark.parametrize(
    ("encoding", "why"),
    [
        ("UTF-null", "unknown encoding: UTF-null"),
        ("gb18030", "multi-byte encodings are not supported"),
    ],
)
def test_an_encoding_that_xml_cannot_have_is_refused(encoding: str, why: str) -> None:
    text = f'<?xml version="1.0" encoding="{encoding}"?><a/>'
    message = f"the spreadsheet is damaged: content.xml: {why}"
    assert _complaint(packed({"content.xml": text})) == ("bad-spreadsheet", message, SAVE)
    look_through(packed({"picture.png": text}))


def test_a_document_type_is_refused_before_its_entities_grow() -> None:
    text = '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'
    message = "the spreadsheet has a document type definition, which it does not need"
    assert _complaint(packed({"content.xml": text})) == ("bad-spreadsheet", message, SAVE)


def _cell(attributes: str = "", inside: str = "<x:p>1</x:p>") -> str:
    return f'<t:table-cell o:value-type="string" {attributes}>{inside}</t:table-cell>'


def _ods_rows(count: str, cell: str, before: str = "") -> bytes:
    row = f'<t:table-row t:number-rows-repeated="{count}">{cell}</t:table-row>'
    return ods(f"<t:table>{before}{row}</t:table>")


FAR = "the spreadsheet has more than 1,000,000 cells up to row 1048576"
FAR_ODS = '<t:table-row t:number-rows-repeated="1048575"/>'
BLANKS = '<t:table-cell t:number-columns-repeated="16383"/>'
LARGE: dict[str, tuple[Callable[[], bytes], str]] = {
    "last-cell-xlsx": (
        lambda: xlsx('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'),
        FAR,
    ),
    "last-cell-ods": (lambda: _ods_rows("1", BLANKS + _cell(), FAR_ODS), FAR),
    "spaces": (
        lambda: _ods_rows("1", _cell("", '<x:p>a<x:s x:c="4000000000"/></x:p>')),
        "the spreadsheet has more than 32,000,000 bytes when unpacked",
    ),
    "rows": (
        lambda: _ods_rows("1048576", _cell()),
        "the spreadsheet has more than 1,000,000 cells up to row 1048576",
    ),
    "columns": (
        lambda: _ods_rows("1", _cell('t:number-columns-repeated="2000000000"')),
        "the spreadsheet has more than 1,000,000 cells up to row 1",
    ),
    "both": (
        lambda: _ods_rows("2000", _cell('t:number-columns-repeated="2000"')),
        "the spreadsheet has more than 1,000,000 cells up to row 2000",
    ),
    "wide-empty-rows": (
        lambda: xlsx("".join(f'<row r="{n}"><c r="XFD{n}"/></row>' for n in range(1, 99))),
        "the spreadsheet has more than 1,000,000 cells up to row 62",
    ),
    "many-rows": (
        lambda: xlsx("<row><c><v>1</v></c></row>" * 100_000),
        "the spreadsheet has more than 100,000 cells, or as many other parts",
    ),
    "unpacked": (
        lambda: packed({"media/a.png": b"\0" * 33_000_000}),
        "the spreadsheet has more than 32,000,000 bytes when unpacked",
    ),
}


@pytest.mark.parametrize("which", LARGE)
def test_what_would_be_read_is_bounded_before_it_is_read(which: str) -> None:
    make, message = LARGE[which]
    data = make()
    assert len(data) < 100_000
    assert _complaint(data) == ("file-too-large", message, TO_CSV)


DAMAGED: dict[str, tuple[Callable[[], bytes], str]] = {
    "row-again": (lambda: xlsx('<row r="2"/><row r="2"/>'), "row 2 follows row 2"),
    "row-back": (lambda: xlsx('<row r="5"/><row r="2"/>'), "row 2 follows row 5"),
    "cell-again": (
        lambda: xlsx('<row r="1"><c r="B1"/><c r="B1"/></row>'),
        "cell B1 is out of order",
    ),
    "cell-elsewhere": (
        lambda: xlsx('<row r="1"><c r="B7"/></row>'),
        "cell B7 is in row 1",
    ),
    "row-in-row": (
        lambda: ods("<t:table><t:table-row><t:table-row/></t:table-row></t:table>"),
        "a table or row is inside another",
    ),
    "no-count": (lambda: _ods_rows("-5", _cell()), '"-5" is not a count'),
}


@pytest.mark.parametrize("which", DAMAGED)
def test_rows_and_cells_that_a_library_would_drop_in_silence_are_refused(which: str) -> None:
    make, message = DAMAGED[which]
    whole = f"the spreadsheet is damaged: {message}"
    assert _complaint(make()) == ("bad-spreadsheet", whole, SAVE)


def test_empty_rows_and_columns_up_to_the_end_of_the_sheet_cost_nothing(desk: Desk) -> None:
    """Programs write them behind every table, for formats."""
    rest = '<t:table-cell t:number-columns-repeated="16382"/>'
    rows = "".join(
        f"<t:table-row>{_cell('', f'<x:p>{a}</x:p>')}{_cell('', f'<x:p>{b}</x:p>')}{rest}"
        "</t:table-row>"
        for a, b in (("d", "q"), ("5", "3"))
    )
    end = f'<t:table-row t:number-rows-repeated="1048574">{BLANKS}</t:table-row>'
    assert desk.load(ods(f"<t:table>{rows}{end}</t:table>"), "t.ods").cycles == 1
    cells = '<row r="1"><c t="inlineStr" r="A1"><is><t>q</t></is></c></row><row r="2"><c><v>3</v>'
    data = xlsx(f'{cells}</c></row><row r="1048576"/>')
    assert desk.load(data, "t.xlsx").cycles == 1


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_a_mutated_spreadsheet_has_the_same_rows_or_a_finding(
    desk: Desk, name: str, seed: int
) -> None:
    """Bytes of the file as it lies on a disk; packed again, it is another table."""
    pattern, findings = desk.check(mutated(WHOLE[name], random.Random(seed)), name)
    if not findings:
        assert pattern is not None
        assert _rows(pattern) == _rows(desk.load(WHOLE[name], name))


def _rows(pattern: Pattern) -> list[object]:
    return [
        value.tolist() if isinstance(value, np.ndarray) else value
        for name, value in vars(pattern).items()
        if name != "sha256"
    ]

"""Whole tables: rows to words, holding, repeats, latency, and every kind of bad file."""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import TableError
from harness.table import Pattern, check_table, load_table
from tests.unit.table.tables import Desk

GOOD = "rst_n,clk,d,q,co,repeat,label,note\n0,C,5,0,L,,clear,why\n1,C,,6,H,3,,\n,,0xF,,X,,end,\n"


def column(pattern: Pattern, desk: Desk, word: str, name: str) -> list[int]:
    return [desk.value(int(value), name) for value in getattr(pattern, word)]


def test_rows_become_words(desk: Desk) -> None:
    pattern = desk.load(GOOD)
    assert column(pattern, desk, "drive", "d") == [5, 5, 15]
    assert column(pattern, desk, "drive", "rst_n") == [0, 1, 1]
    assert column(pattern, desk, "pulse", "clk") == [1, 1, 0]
    assert column(pattern, desk, "expect", "q") == [0, 6, 0]
    assert column(pattern, desk, "care", "q") == [15, 15, 0]
    assert column(pattern, desk, "expect", "co") == [0, 1, 0]
    assert column(pattern, desk, "care", "co") == [1, 1, 0]
    assert pattern.repeat.tolist() == [1, 3, 1]
    assert pattern.line.tolist() == [2, 3, 4]
    assert dict(pattern.labels) == {0: "clear", 2: "end"}
    assert pattern.cycles == 5
    assert [bus.name for bus in pattern.signals] == ["rst_n", "clk", "d", "q", "co"]
    assert len(pattern.sha256) == 64


def test_inputs_without_a_column_rest_at_their_default_level(desk: Desk) -> None:
    pattern = desk.load("q\n1\n")
    enable, drive = int(pattern.enable[0]), int(pattern.drive[0])
    assert enable & desk.mask("d", "en", "clk", "rst_n") == desk.mask("d", "en", "clk", "rst_n")
    assert drive == desk.mask("rst_n")
    assert not enable & desk.mask("dq", "q")
    assert enable & 1 << desk.shuttle.pins_by_name["in8"].bit, "unused inputs must not float"
    assert not enable & 1 << desk.shuttle.pins_by_name["seld"].bit, "selection is the session's"


def test_empty_input_cells_hold_the_level_but_not_the_pulse(desk: Desk) -> None:
    pattern = desk.load("clk,rst_n,en,q\n,,,1\nC,0,1,1\n,,,1\nK,,F,1\n,,,1\n")
    assert column(pattern, desk, "drive", "clk") == [0, 0, 0, 1, 1]
    assert column(pattern, desk, "pulse", "clk") == [0, 1, 0, 1, 0]
    assert column(pattern, desk, "drive", "rst_n") == [1, 0, 0, 0, 0]
    assert column(pattern, desk, "enable", "en") == [1, 1, 1, 0, 0]


def test_a_bidirectional_bus_takes_the_role_of_its_symbols_and_is_never_held(desk: Desk) -> None:
    pattern = desk.load('dq\n0001\nHLZX\n""\n9\n01HL\n')
    assert column(pattern, desk, "enable", "dq") == [15, 0, 0, 15, 12]
    assert column(pattern, desk, "drive", "dq") == [1, 0, 0, 9, 4]
    assert column(pattern, desk, "care", "dq") == [0, 12, 0, 0, 3]
    assert column(pattern, desk, "highz", "dq") == [0, 2, 0, 0, 0]


def test_columns_may_be_bits_and_chip_pins(desk: Desk) -> None:
    pattern = desk.load("q[3],q[0],out1,in2\nH,L,H,1\n")
    assert column(pattern, desk, "care", "q") == [0b1011]
    assert column(pattern, desk, "expect", "q") == [0b1010]
    assert column(pattern, desk, "drive", "d") == [0b0100]


def test_until_is_a_limit_not_a_count(desk: Desk) -> None:
    pattern = desk.load("clk,q,repeat\nC,3,until 20\nC,4,Until  5\nC,4,7\n")
    assert pattern.until.tolist() == [True, True, False]
    assert pattern.repeat.tolist() == [20, 5, 7]
    assert pattern.cycles == 9


def test_underscores_in_a_repeat_count_as_in_other_numbers(desk: Desk) -> None:
    pattern = desk.load("clk,q,repeat\nC,3,2_000\nC,4,3_\nC,4,until 1__0\n")
    assert pattern.repeat.tolist() == [2000, 3, 10]


def test_latency_moves_what_is_tested_and_drains(desk: Desk) -> None:
    pattern = desk.load("clk,d,q,co,repeat,label\nC,1,8,H,2,a\nC,2,9,L,,b\n", q=2)
    assert column(pattern, desk, "drive", "d") == [1, 1, 2, 2, 2]
    assert column(pattern, desk, "pulse", "clk") == [1] * 5
    assert column(pattern, desk, "care", "q") == [0, 0, 15, 15, 15]
    assert column(pattern, desk, "expect", "q") == [0, 0, 8, 8, 9]
    assert column(pattern, desk, "care", "co") == [1, 1, 1, 0, 0]
    assert column(pattern, desk, "expect", "co") == [1, 1, 0, 0, 0]
    assert pattern.repeat.tolist() == [1] * 5
    assert pattern.line.tolist() == [2, 2, 3, 3, 3]
    assert dict(pattern.labels) == {0: "a", 2: "b"}


def test_a_bit_column_has_its_bus_latency(desk: Desk) -> None:
    pattern = desk.load("q[1],out0\nH,L\n", q=1)
    assert column(pattern, desk, "care", "q") == [0, 0b11]


@pytest.mark.parametrize(
    ("table", "latency", "told"),
    [
        ("q,qq\n1,1\n", {}, ["1:3 unknown-column"]),
        ("q,,d\n1,1,1\n", {}, ["1:3 unknown-column"]),
        ("q;d\n1;1\n", {}, ["1:1 wrong-separator"]),
        ("q, d,q\n1,1,1\n", {}, ["1:6 doubled-column"]),
        ("q,q[0]\n1,H\n", {}, ["1:3 pin-in-two-columns"]),
        ("out1,q\nH,1\n", {}, ["1:6 pin-in-two-columns"]),
        ("clk,q\nH,1\n", {}, ["2:1 symbol-not-allowed"]),
        ("clk,co\nC,1\n", {}, ["2:3 symbol-not-allowed"]),
        ("d,q\n1, 16\n", {}, ["2:4 number-too-wide"]),
        ("d,q\n1,1\n1\n2,2,2\n3,3\n", {}, ["3:2 ragged-row", "4:5 ragged-row"]),
        ("", {}, ["0:0 empty-table"]),
        ("# nothing\n\n", {}, ["0:0 empty-table"]),
        ("d,q\n", {}, ["0:0 empty-table"]),
        ("d,q\n1,X\n", {}, ["0:0 nothing-tested"]),
        ("d,co,repeat\n1,H,0\n1,H,-3\n", {}, ["2:5 repeat-below-one", "3:5 repeat-below-one"]),
        ("d,co,repeat\n1,H,9999999999\n", {}, ["2:5 repeat-too-large"]),
        ("d,co,repeat\n1,H,often\n1,H,until\n", {}, ["2:5 bad-repeat", "3:5 bad-repeat"]),
        ("d,co,repeat\n1,H,until 0\n", {}, ["2:5 repeat-below-one"]),
        ("d,co,repeat\n1,,until 4\n1,H,\n", {}, ["2:4 until-tests-nothing"]),
        ("d,co,repeat\n1,Z,until 4\n", {}, ["2:5 until-with-z"]),
        ("d,co,repeat\n1,H,until 4\n", {"q": 1}, ["2:5 until-with-latency"]),
        ("d,dq\n1,HHHH\n1,1111\n", {"dq": 1}, ["3:0 latency-on-driven-pin"]),
        ("d,co,repeat\n1,H,2000000000\n", {"co": 1}, ["0:0 too-many-cycles"]),
        ("d,co,repeat\n1,H,3999999\n", {"co": 2}, ["0:0 too-many-cycles"]),
        ("d,co\n1,H\n", {"co": 2_000_000_000}, ["0:0 too-many-cycles"]),
        ('d,co,note\n1,H,"open\n2,L,shut\n', {}, ["2:5 unclosed-quote"]),
        ('d,co,note\n1,H,"a"b\n', {}, ["2:7 unclosed-quote"]),
        ('"d,co\n1,H\n', {}, ["1:1 unclosed-quote"]),
        ("d,co\r1,H\r", {}, ["1:5 lone-carriage-return"]),
    ],
)
def test_a_bad_table_is_told_with_its_place(
    desk: Desk, table: str, latency: dict[str, int], told: list[str]
) -> None:
    assert desk.told(table, "t.csv", **latency) == told


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"d,co,note\n1,H,caf\xe9\n", ["2:8 not-utf8"]),
        (b"d,co,note\n1,H,\xc3\xa9\xe9\n", ["2:6 not-utf8"]),
        (b"d,co\n1,\0\n", ["2:3 nul-byte"]),
        ("d,co\n1,H\n".encode("utf-16"), ["1:1 not-utf8"]),
        (b"\xef\xbb\xbfd,co\n1,H\n", ["1:1 byte-order-mark"]),
        (b"d,co\r\n1,H\r\n", []),
        (b"d,co\n1,H", ["2:4 no-line-end"]),
        (b"d,co", ["1:5 no-line-end"]),
        (b"d,co\n1,H\n# cut \xc3\xa9", ["3:8 no-line-end"]),
    ],
)
def test_encodings_and_line_ends(desk: Desk, data: bytes, told: list[str]) -> None:
    if data.startswith(b"\xff\xfe"):
        told = ["1:4 nul-byte"]
    assert desk.told(data) == told


def test_a_byte_order_mark_and_cr_lf_do_not_change_what_is_read(desk: Desk) -> None:
    plain = desk.load("d,q\n1,2\n\n# c\n3,4\n")
    other = desk.load(b"\xef\xbb\xbfd,q\r\n1,2\r\n\r\n# c\r\n3,4\r\n")
    assert plain.drive.tolist() == other.drive.tolist()
    assert plain.line.tolist() == other.line.tolist() == [2, 5]


def test_a_line_of_ten_megabytes_is_refused_at_once(desk: Desk) -> None:
    started = time.perf_counter()
    assert desk.told(b"d,q\n1,2\n" + b"1" * 10_000_000 + b"\n") == ["3:100001 line-too-long"]
    assert desk.told(b"d" * 10_000_000) == ["1:100001 line-too-long"]
    assert desk.told(b"d,q\n1,2\n" + b"1" * 150_000 + b"\n" + b"1,2\n" * 2_000_000) == [
        "3:100001 line-too-long"
    ]
    assert time.perf_counter() - started < 5


def test_a_file_that_is_missing_or_of_another_kind_is_a_finding(desk: Desk) -> None:
    with pytest.raises(TableError, match="file-missing"):
        load_table(desk.folder / "none.csv", desk.design, desk.shuttle)
    assert desk.told("d,q\n1,1\n", "t.doc") == ["0:0 unknown-table-kind"]


def test_equal_faults_are_told_once_and_many_are_counted(desk: Desk) -> None:
    _, findings = desk.check("d,co\n" + "1,Q\n" * 3000)
    assert [found.message for found in findings] == [
        '"Q" is neither a number nor symbols for 1 pin (and in 2,999 more rows)'
    ]
    _, findings = desk.check("d,co\n" + "".join(f"{n},H\n" for n in range(16, 500)))
    assert len(findings) == 101
    assert findings[-1].message == "384 more not shown"


def test_spaces_comments_and_quotes_are_allowed(desk: Desk) -> None:
    pattern = desk.load(
        ' # head\n d , q , label, note\n\n 1, 2 , first ,"a, ""b"""\n'
        '#1,1\n  # x\n"3",4,"c, ""d""",\n'
    )
    assert column(pattern, desk, "drive", "d") == [1, 3]
    assert dict(pattern.labels) == {0: "first", 1: 'c, "d"'}
    assert pattern.line.tolist() == [4, 7]


def test_tabs_separate_a_tsv(desk: Desk) -> None:
    pattern = desk.load("clk\td\tq\n\t1\t2\nC\t\t3\n", "t.tsv")
    assert column(pattern, desk, "drive", "d") == [1, 1]
    assert column(pattern, desk, "expect", "q") == [2, 3]


@pytest.mark.parametrize("name", ["t.xlsx", "t.ods"])
def test_spreadsheets_are_read_like_text(desk: Desk, name: str) -> None:
    rows: list[list[object]] = [
        ["# a comment", None, None, None],
        ["d", "q", "repeat", "label"],
        [5, "0b01x1", None, "first"],
        [None, None, None, None],
        ["0010", 3, "until 7", None],
        [1111, "HLHL", 2, None],
    ]
    pattern = desk.load(_sheet(rows, name), name)
    assert column(pattern, desk, "drive", "d") == [5, 2, 15]
    assert column(pattern, desk, "expect", "q") == [5, 3, 10]
    assert column(pattern, desk, "care", "q") == [13, 15, 15]
    assert pattern.repeat.tolist() == [1, 7, 2]
    assert pattern.line.tolist() == [3, 5, 6]
    assert dict(pattern.labels) == {0: "first"}
    bad: list[list[object]] = [["d", "q", None], [77, 1, None], [1, 1, "x"]]
    assert desk.told(_sheet(bad, name), name) == ["2:1 number-too-wide", "3:3 ragged-row"]
    assert desk.told(b"no sheet", name) == ["0:0 bad-spreadsheet"]
    assert desk.told(_sheet([["# only"]], name), name) == ["0:0 empty-table"]


@pytest.mark.parametrize("name", ["t.xlsx", "t.ods"])
def test_how_a_spreadsheet_writes_a_nul_stays_letters(desk: Desk, name: str) -> None:
    """ECMA-376 part 1, ST_Xstring; XML itself has no NUL at all."""
    rows: list[list[object]] = [["d", "q", "label"], [5, 1, "a_x0000_b"]]
    assert dict(desk.load(_sheet(rows, name), name).labels) == {0: "a_x0000_b"}


@pytest.mark.parametrize("name", ["t.xlsx", "t.ods"])
def test_a_nul_from_a_library_for_spreadsheets_is_refused(
    desk: Desk, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = pd.DataFrame([["d", "label"], ["5", "a\0b"], ["\0", "x"]], dtype="object")
    data = _sheet([["d"]], name)
    monkeypatch.setattr(pd, "read_excel", lambda *_, **__: frame)
    assert desk.told(data, name) == ["2:2 nul-byte", "3:1 nul-byte"]


def _sheet(rows: list[list[object]], name: str) -> bytes:
    data = BytesIO()
    with pd.ExcelWriter(data, engine="odf" if name.endswith("ods") else "openpyxl") as writer:
        pd.DataFrame(rows).to_excel(writer, header=False, index=False)
    return data.getvalue()


def test_a_big_table_is_read_as_a_small_one(desk: Desk) -> None:
    """Counters, hexadecimal, symbols with leading zeros: over many blocks, every row its own."""
    rng = np.random.default_rng(7)
    rows = 120_000
    d, q, wide = (rng.integers(0, 16, rows) for _ in range(3))
    forms = ["{}", "0x{:X}", "{:04b}", "0b{:b}"]
    d_text = [
        forms[kind].format(value) for kind, value in zip(rng.integers(0, 4, rows), d, strict=True)
    ]
    empty = rng.random(rows) < 0.3
    empty[0] = False
    lines = [
        f"{'' if hold else text},{value},{other},row {number}"
        for number, (hold, text, value, other) in enumerate(
            zip(empty, d_text, q, [f"0x{v:x}" for v in wide], strict=True)
        )
    ]
    pattern = desk.load("d,q,wide,label\n" + "\n".join(lines) + "\n")
    held = d[np.maximum.accumulate(np.where(empty, 0, np.arange(rows)))]
    bits = {name: desk.design.signals_by_name[name].pins[-1].bit for name in ("d", "q", "wide")}
    assert (pattern.drive >> bits["d"] & 15 == held).all()
    assert (pattern.expect >> bits["q"] & 15 == q).all()
    assert (pattern.expect >> bits["wide"] & 15 == wide).all()
    assert pattern.line.tolist() == list(range(2, rows + 2))
    assert pattern.labels[77_777] == "row 77777"
    assert len(pattern.labels) == rows


SYMBOL = {"d": "01CKFXN", "q": "HLZFXN", "dq": "01CKHLZFXN", "clk": "01CK"}


@given(
    st.lists(
        st.tuples(
            *(
                st.text(st.sampled_from(SYMBOL[n]), min_size=w, max_size=w)
                for n, w in (("d", 4), ("q", 4), ("dq", 4), ("clk", 1))
            ),
            st.integers(1, 10**9),
            st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=8),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_every_pattern_that_can_be_written_is_read_back(
    desk: Desk, rows: list[tuple[str, str, str, str, int, str]]
) -> None:
    """Write symbols as a table, read it, and write what was read: the same symbols again."""
    lines = ["d,q,dq,clk,repeat,label", "0000,LLLL,,0,,"]
    for d, q, dq, clk, repeat, label in rows:
        quoted = label.replace('"', '""')
        lines.append(f'{d},{q},{dq},{clk},{repeat},"{quoted}"')
    pattern = desk.load("\n".join(lines) + "\n")
    assert pattern.repeat.tolist()[1:] == [row[4] for row in rows]
    for number, (d, q, dq, clk, _, label) in enumerate(rows, start=1):
        for name, text in (("d", d), ("q", q), ("dq", dq), ("clk", clk)):
            assert _printed(pattern, desk, number, name) == _plain(text, name)
        assert pattern.labels.get(number, "") == label.strip()


def _printed(pattern: Pattern, desk: Desk, row: int, name: str) -> str:
    """What a row asks of a signal's pins, as symbols."""
    text = ""
    for pin in desk.design.signals_by_name[name].pins:
        drive, enable, pulse, expect, care, highz = (
            int(getattr(pattern, word)[row]) >> pin.bit & 1
            for word in ("drive", "enable", "pulse", "expect", "care", "highz")
        )
        if enable:
            text += ("CK" if pulse else "01")[drive]
        else:
            text += "Z" if highz else "LH"[expect] if care else "N"
    return text


def _plain(text: str, name: str) -> str:
    """Symbols without synonyms: X drives 0 on an input; F, N and X elsewhere are one."""
    text = text.replace("X", "0") if name == "d" else text
    return text.translate(str.maketrans("FX", "NN"))


@given(st.binary(max_size=300), st.sampled_from([b"", b"d,q\n", b"d,co,repeat,label\n1,H,,\n"]))
def test_random_bytes_raise_nothing_but_table_errors(desk: Desk, data: bytes, head: bytes) -> None:
    for name in ("r.csv", "r.tsv"):
        with suppress(TableError):
            assert len(desk.load(head + data, name)) > 0


@given(st.text(st.sampled_from('dq,01HLX"\n\r\t #;é'), max_size=60))
def test_random_tables_raise_nothing_but_table_errors(desk: Desk, text: str) -> None:
    pattern, findings = desk.check("d,q\n" + text)
    assert pattern is not None or findings
    assert all(found.advice and found.message for found in findings)


@pytest.mark.parametrize("name", ["r.xlsx", "r.ods"])
def test_a_damaged_spreadsheet_raises_nothing_but_table_errors(desk: Desk, name: str) -> None:
    data = bytearray(_sheet([["d", "q"], [1, 2]], name))
    for at in range(0, len(data), 97):
        broken = bytes(data[:at]) + bytes([data[at] ^ 0x55]) + bytes(data[at + 1 :])
        pattern, findings = desk.check(broken, name)
        assert pattern is not None or findings


def test_a_path_stands_for_the_table_that_the_design_lists(desk: Desk) -> None:
    path = Path(desk.folder) / "count" / "main.csv"
    path.write_text("clk,q\nC,1\n")
    assert load_table(path, desk.design, desk.shuttle).cycles == 1


def test_rows_that_pause_the_clock_are_refused_where_the_table_forbids_pauses(desk: Desk) -> None:
    text = "d,co,repeat\n1,H,3\n1,Z,\n1,H,until 4\n"
    spec = replace(desk.spec(text, "t.csv", {}), gap_free=True)
    found = check_table(spec, desk.design, desk.shuttle)[1]
    assert [(f.location.line, f.location.column, f.rule) for f in found] == [
        (3, 0, "pause-in-gap-free"),
        (4, 0, "pause-in-gap-free"),
    ]
    assert found[0].message == ("a test for Z or an until pauses the clock, which gap_free forbids")
    assert desk.told(text) == []

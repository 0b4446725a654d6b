"""Located TOML reading: every fault with its line and column, all at once."""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import Findings, Location
from harness.shuttle import TomlTable, nearest, read_toml


def read(folder: Path, data: bytes) -> tuple[TomlTable | None, Findings]:
    findings = Findings()
    path = folder / "f.toml"
    path.write_bytes(data)
    return read_toml(path, findings), findings


def told(findings: Findings) -> list[str]:
    return [
        f"{found.location.line}:{found.location.column} {found.rule}" for found in findings.items
    ]


@pytest.mark.parametrize(
    ("data", "place"),
    [
        (b'name="a"\nx="\xc3\xa9\xe9"', "2:5 not-utf8"),
        (b'name="a\x00"\n', "1:8 nul-byte"),
        (b"\xff\xfen\x00", "1:4 nul-byte"),
        (b'name="a\n', "1:8 toml-syntax"),
        (b"a=1\nname=\n", "2:6 toml-syntax"),
        (b"a=1\na=2\n", "2:4 toml-syntax"),
        (b"a=" + b"[" * 5000 + b"\n", "1:1 toml-syntax"),
    ],
)
def test_a_file_that_is_not_toml_is_placed(tmp_path: Path, data: bytes, place: str) -> None:
    top, findings = read(tmp_path, data)
    assert top is None
    assert told(findings) == [place]


@pytest.mark.parametrize("data", [b"address = 16", b"a=1\n# \xc3\xa9", b"\xef\xbb\xbfa=1"])
def test_a_last_line_without_an_end_may_be_cut_off(tmp_path: Path, data: bytes) -> None:
    """A cut within ``1234`` leaves a number: nothing but the missing line break tells."""
    top, findings = read(tmp_path, data)
    (found,) = findings.errors
    last = data.decode("utf-8-sig").split("\n")
    assert top is not None
    assert str(found) == (
        f"{tmp_path}/f.toml:{len(last)}:{len(last[-1]) + 1}: error [no-line-end] the last "
        "line does not end with a line break, so the file may be cut off; check whether anything "
        "is missing, then add a line break"
    )


def test_a_missing_file_a_folder_and_a_huge_file_are_findings(tmp_path: Path) -> None:
    findings = Findings()
    assert read_toml(tmp_path / "none.toml", findings) is None
    assert read_toml(tmp_path, findings) is None
    assert read(tmp_path, b"#" * 5_000_000)[1].items[0].rule == "file-too-large"
    assert [found.rule for found in findings.items] == ["file-missing", "file-unreadable"]


def test_a_byte_order_mark_is_a_warning(tmp_path: Path) -> None:
    top, findings = read(tmp_path, b'\xef\xbb\xbfname = "x"\r\n')
    assert top is not None
    assert top.take("name", str) == "x"
    assert told(findings) == ["1:1 byte-order-mark"]
    assert not findings.errors


def test_values_come_typed_and_wrong_ones_are_placed(tmp_path: Path) -> None:
    top, findings = read(
        tmp_path,
        b"n = 3\nrate = 5\nyes = true\nday = 2027-01-31\ntext = 1\nwhen = 2027-01-31T00:00:00\n",
    )
    assert top is not None
    assert top.take("n", int) == 3
    assert top.take("rate", float) == 5.0
    assert top.take("yes", bool) is True
    assert top.take("day", date) == date(2027, 1, 31)
    assert top.take("text", str, "default") == "default"
    assert top.take("yes", int, 7) == 7
    assert top.take("when", date) is None
    assert top.take("absent", str) is None
    assert top.take("absent2", int, 4) == 4
    top.finish()
    assert told(findings) == [
        "5:1 wrong-type",
        "3:1 wrong-type",
        "6:1 wrong-type",
        "1:1 missing-key",
    ]


@pytest.mark.parametrize("number", ["nan", "-nan", "inf", "-inf", "1e999"])
def test_a_number_is_finite(tmp_path: Path, number: str) -> None:
    top, findings = read(tmp_path, f"rate = {number}\n".encode())
    assert top is not None
    assert top.take("rate", float) is None
    assert top.take("rate", float, 4.0) == 4.0
    assert told(findings) == ["1:1 out-of-range"] * 2
    assert str(findings.errors[0]).endswith(f'"rate" is {float(number)}; write a finite number')


def test_unknown_keys_are_found_in_every_table_with_the_nearest_name(tmp_path: Path) -> None:
    top, findings = read(
        tmp_path,
        b'nam = 1\n[pins]\ninptus = ["a"]\n[[w]]\nx = 1\n[[w.z]]\n  kk = 2\n[w.y]\n"t t" = 1\n',
    )
    assert top is not None
    top.take("name", str, "")
    pins = top.table("pins")
    assert pins is not None
    pins.strings("inputs", ())
    for table in top.tables("w"):
        table.take("x", int)
        for below in table.tables("z"):
            below.take("k", int, 0)
        deeper = table.maybe_table("y")
        assert deeper is not None
    top.finish()
    assert [(str(found.location.line), found.advice) for found in findings.items] == [
        ("1", 'did you mean "name"?'),
        ("3", 'did you mean "inputs"?'),
        ("7", 'did you mean "k"?'),
        ("9", "remove it"),
    ]


def test_elements_of_lists_and_inline_tables_have_places(tmp_path: Path) -> None:
    top, findings = read(
        tmp_path, b'a = ["x",\n  # why\n  5]\nb = { "\xc3\xa9" = 1, c = [{ d = "e" }] }\n'
    )
    assert top is not None
    assert top.strings("a") == ("x",)
    assert told(findings) == ["3:3 wrong-type"]
    b = top.table("b")
    assert b is not None
    assert (b.location("c").line, b.location("c").column) == (4, 16)
    assert b.tables("c")[0].location("d").column == 23
    assert b.location("not written") == b.location()


def test_a_nul_is_refused_wherever_a_text_can_stand(tmp_path: Path) -> None:
    data = rb"""
title = "a\u0000b"
names = ["x", "\u0000"]
"k\u0000" = 1
[[slot]]
chip = { serial = "\U00000000" }
fine = "\u001b[31m \\u0000"
"""
    top, findings = read(tmp_path, data)
    assert top is not None
    places = ["2:1", "3:15", "4:1", "6:10"]
    assert told(findings) == [f"{place} nul-character" for place in places]
    assert str(findings.items[0]).endswith(
        "f.toml:2:1: error [nul-character] this string contains a NUL character; remove \\u0000"
    )


def test_a_single_text_stands_for_a_list_of_one(tmp_path: Path) -> None:
    top, findings = read(tmp_path, b'a = "x"\nb = 3\n[t]\n')
    assert top is not None
    assert top.strings("a") == ("x",)
    assert top.strings("b") == ()
    assert top.strings("c") == ()
    assert top.tables("t") == []
    assert top.table("a") is None
    assert told(findings) == [
        "2:1 wrong-type",
        "1:1 missing-key",
        "3:2 wrong-type",
        "1:1 wrong-type",
    ]


def test_the_nearest_name_is_suggested_or_all_are_listed() -> None:
    assert nearest("clok", ["clock", "reset"]) == 'did you mean "clock"?'
    assert nearest("zzz", ["b", "a"]) == "use one of: a, b"


@given(st.binary(max_size=200))
def test_no_bytes_make_the_reader_raise(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    top, findings = read(tmp_path_factory.getbasetemp(), data)
    refused = [found for found in findings.errors if found.rule != "no-line-end"]
    assert (top is None) == bool(refused)


@given(
    st.recursive(
        st.integers(0, 9) | st.text("ab", max_size=2),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.text("abé .", min_size=1, max_size=3), inner, max_size=3)
        ),
        max_leaves=8,
    )
)
def test_every_key_has_its_place(tmp_path_factory: pytest.TempPathFactory, value: object) -> None:
    """Inline values of any depth: the place of each key is where its text stands."""
    text = f"top = {_toml(value)}\n"
    top, _ = read(tmp_path_factory.getbasetemp(), text.encode())
    assert top is not None
    for path, (line, column) in top.source.places.items():
        last = path[-1] if path else None
        if isinstance(last, str) and last != "top":
            assert line == 1
            assert text[column - 1 :].startswith(f'"{last}"')


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{k}" = {_toml(v)}' for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)


def test_the_work_on_a_long_line_and_on_unknown_keys_is_bounded(tmp_path: Path) -> None:
    started = time.process_time()
    line = "a = [" + ", ".join(['{ "é" = "é" }'] * 20_000) + "]\n"
    top, findings = read(tmp_path, (line + "".join(f"k{i}=1\n" for i in range(20_000))).encode())
    assert top is not None
    assert top.location("a", 2, "é") == Location(tmp_path / "f.toml", 1, 38)
    for number in range(100):
        top.take(f"k{number}", int)
    top.finish()
    assert len(findings.items) == 101
    assert findings.items[-1].message == "19,801 more not shown"
    assert time.process_time() - started < 5

"""The lines of a table that a report quotes."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from harness.table import quoted_lines

TABLE = (
    "\ufeff# made by hand\n\nclk,q,note\r\nC,0x1,ü\r\nC,0x2,\u2028\nC,0x3," + "n" * 500 + "\n"
).encode()


def _quoted(folder: Path, lines: set[int], name: str = "t.csv", sha256: str = "") -> dict[int, str]:
    path = folder / name
    path.write_bytes(TABLE)
    return quoted_lines(path, sha256 or hashlib.sha256(TABLE).hexdigest(), lines)


def test_the_header_and_the_lines_asked_for_come_as_they_are_numbered_in_the_file(
    tmp_path: Path,
) -> None:
    assert _quoted(tmp_path, {5, 6, 7, 0}) == {
        3: "clk,q,note",
        5: "C,0x2,\u2028",
        6: "C,0x3," + "n" * 394,
    }
    assert _quoted(tmp_path, {4, 1}) == {1: "# made by hand", 3: "clk,q,note", 4: "C,0x1,ü"}


@pytest.mark.parametrize(("name", "sha256"), [("t.xlsx", ""), ("t.csv", "00" * 32)])
def test_nothing_is_quoted_of_a_spreadsheet_or_of_a_file_that_changed(
    tmp_path: Path, name: str, sha256: str
) -> None:
    assert _quoted(tmp_path, {4}, name, sha256) == {}
    assert quoted_lines(tmp_path / "gone.csv", "", {4}) == {}

"""CSV that leaves the tool: text is never a formula, numbers stay numbers, all of it comes back."""

from __future__ import annotations

import csv
import io
import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness_reports.sheet import csv_bytes

STARTS = "=+-@\t\r\n"
"""Characters that make a cell a formula, or hide one: OWASP, "CSV Injection"."""


def read(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode(), newline="")))


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", "  =1", "\uff1d1", "\u00a0=1"]
)
def test_text_is_never_a_formula(text: str) -> None:
    (_, (cell,)) = read(csv_bytes(["text"], [[text]]))
    assert cell.startswith("'")


def test_ordinary_text_stays_as_it_is() -> None:
    texts = ["wrap = 1", "", "q[2]", 'a "b", c', "ä", "1-2"]
    assert [row[0] for row in read(csv_bytes(["text"], [[text] for text in texts]))[1:]] == texts


def test_a_column_name_is_guarded_too() -> None:
    assert read(csv_bytes(["=x"], [])) == [["'=x"]]


def test_numbers_stay_numbers_for_another_reader() -> None:
    data = csv_bytes(["a", "b"], [[-5, -0.25], [7, 1e-9]])
    frame = pd.read_csv(io.BytesIO(data))
    assert frame["a"].tolist() == [-5, 7]
    assert frame["b"].tolist() == [-0.25, 1e-9]


def test_what_is_no_finite_number_is_text() -> None:
    rows = read(csv_bytes(["a"], [[-math.inf], [math.nan]]))
    assert rows[1:] == [["'-inf"], ["nan"]]


@given(st.lists(st.lists(st.text(max_size=12) | st.integers(), min_size=2, max_size=2), max_size=5))
def test_no_text_whatsoever_begins_a_cell_as_a_formula(rows: list[list[str | int]]) -> None:
    found = read(csv_bytes(["a", "b"], rows))[1:]
    assert len(found) == len(rows)
    for row, cells in zip(rows, found, strict=True):
        for value, cell in zip(row, cells, strict=True):
            if isinstance(value, int):
                assert cell == str(value)
            else:
                assert not cell.lstrip(" ").startswith(tuple(STARTS))

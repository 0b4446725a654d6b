"""The cap of findings caps the work: what is only counted costs next to nothing."""

from __future__ import annotations

import time

import pytest

from harness.errors import MAX_FINDINGS, Finding
from tests.unit.table.tables import Desk

SECONDS = 3.0
"""Before there was a cap, each of these took from ten seconds to minutes."""


def told(desk: Desk, text: str) -> list[Finding]:
    started = time.process_time()
    found = desk.check(text)[1]
    assert time.process_time() - started < SECONDS
    return found


@pytest.mark.parametrize(
    "header",
    [
        ",".join(f"x{i}" for i in range(18_000))[:99_000],
        ",".join(["x"] * 49_000),
        "," * 99_000,
    ],
    ids=["unknown", "doubled", "nameless"],
)
def test_a_header_of_99_kilobytes(desk: Desk, header: str) -> None:
    found = told(desk, f"{header}\n")
    assert len(found) == MAX_FINDINGS + 1
    assert found[-1].message == f"{header.count(',') + 1 - MAX_FINDINGS:,} more not shown"


def test_two_hundred_thousand_distinct_bad_cells(desk: Desk) -> None:
    rows = "".join(f"bad{i},r{i}\n" for i in range(100_000))
    found = told(desk, f"q,repeat\n{rows}")
    assert found[-1].message == f"{200_000 - MAX_FINDINGS:,} more not shown"


def test_rows_of_another_width(desk: Desk) -> None:
    found = told(desk, "q,repeat\n" + "H\n" * 200_000)
    assert found[-1].message == f"{200_000 - MAX_FINDINGS:,} more not shown"

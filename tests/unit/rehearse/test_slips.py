"""A table that fails on its own netlist: the slip is named by which it would pass."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.records import RehearsalResult
from harness.rehearse import remarks
from tests.published import demo
from tests.unit.rehearse.test_rehearse import rehearsed

Rows = list[dict[str, str]]


def alu(count: int = 40) -> Rows:
    """The demo's ALU told to give A minus B minus 1: random operands, and what is expected."""
    rng = random.Random(5)
    operands = [(rng.randrange(16), rng.randrange(16)) for _ in range(count)]
    return [{"a": str(a), "b": str(b), "f": str((a - b - 1) % 16)} for a, b in operands]


def text_of(rows: Rows) -> str:
    """A table: the first row loads the function (S = 6, M = 0), the others have no carry."""
    lines = [f"0,{row['a']},{row['b']},F,1,{row['f']}" for row in rows]
    return "\n".join(["clk,a,b,s,cn,f", "C,0,0,0x6,0,", *lines, ""])


def swapped(rows: Rows, one: str, other: str) -> Rows:
    return [{**row, one: row[other], other: row[one]} for row in rows]


def on(rows: Rows, name: str, change: Callable[[int], int]) -> Rows:
    return [{**row, name: str(change(int(row[name])))} for row in rows]


def backwards(value: int) -> int:
    return int(f"{value:04b}"[::-1], 2)


def late(rows: Rows) -> Rows:
    """The table expects each result a row too early."""
    return [{**row, "f": after["f"]} for row, after in zip(rows, [*rows[1:], rows[0]], strict=True)]


@pytest.mark.parametrize(
    ("rows", "slip"),
    [
        (swapped(alu(), "a", "b"), "if a[3:0] and b[3:0] are exchanged"),
        (on(alu(), "a", backwards), "if a[3:0] is read in the reverse order"),
        (on(alu(), "f", backwards), "if f[3:0] is read in the reverse order"),
        (on(alu(), "f", lambda v: v ^ 15), "if f[3:0] is inverted"),
        (late(alu()), "if f[3:0] is expected one row later"),
        (
            [{**row, "f": "0" if k == 7 else row["f"]} for k, row in enumerate(alu())],
            "if this row alone expects f[3:0] = 0x9",
        ),
    ],
)
def test_the_slip_is_named(rows: Rows, slip: str, tmp_path: Path) -> None:
    found = rehearsed(tmp_path, text_of(rows), "alu181")
    assert found.result is RehearsalResult.FAILS
    assert found.slips == (slip,)
    first = str(remarks(found, Path("t.csv"))[0])
    assert first.endswith(f"or the design if the table is right; it passes {slip}")


def test_a_table_that_is_wrong_otherwise_names_none(tmp_path: Path) -> None:
    rows = on(alu(), "f", lambda v: (v * 7 + 3) % 16)
    assert rehearsed(tmp_path, text_of(rows), "alu181").slips == ()


def test_a_table_that_passes_has_none(tmp_path: Path) -> None:
    assert demo.design("alu181").name == "alu181"
    found = rehearsed(tmp_path, text_of(alu()), "alu181")
    assert (found.result, found.slips) == (RehearsalResult.PASSES, ())

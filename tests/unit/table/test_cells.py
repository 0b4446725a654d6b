"""How blocks become columns: the texts are the same for every way of reading with pandas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.shuttle import Bus, Direction, Pin
from harness.table.cells import CellReader
from harness.table.columns import Cells, Numbers
from harness.table.header import Heading
from harness.table.lines import Block
from harness.table.symbols import Column

HEADING = Heading(
    {
        0: Column(
            Bus("d", tuple(Pin(f"p{n}", Direction.INPUT, n) for n in range(16)), Direction.INPUT)
        )
    },
    {"label": 1},
    2,
)


def block(rows: list[tuple[str, str]]) -> Block:
    body = "".join(f"{a},{b}\n" for a, b in rows).encode()
    return Block(body, np.arange(len(rows), dtype=np.int32))


def texts(cells: Cells) -> list[str]:
    coded = cells.coded() if isinstance(cells, Numbers) else cells
    return [coded.texts[code] for code in coded.codes.tolist()]


CELL = st.one_of(
    st.integers(0, 70000).map(str),
    st.integers(0, 70000).map(lambda n: f"0x{n:x}"),
    st.sampled_from(
        [
            "",
            "007",
            "+5",
            "-5",
            " 5",
            "5 ",
            "1e3",
            "1.0",
            "nan",
            "NA",
            "True",
            "inf",
            "99999999999999999999",
            "9223372036854775808",
            "X",
            "0",
            "00",
            "1_0",
        ]
    ),
)


@given(st.lists(st.lists(st.tuples(CELL, CELL), min_size=1, max_size=30), max_size=4))
def test_no_way_of_reading_changes_a_text(blocks: list[list[tuple[str, str]]]) -> None:
    """A first block of many numbers makes the reader expect numbers; then anything may follow."""
    reader = CellReader(HEADING, ",")
    counting = [(str(number), f"row {number}") for number in range(1000)]
    for rows in [counting, *blocks, counting, *blocks]:
        cells = reader.read(block(rows))
        assert texts(cells[0]) == [row[0] for row in rows]
        assert texts(cells[1]) == [row[1] for row in rows]


@pytest.mark.parametrize("odd", ["007", "+7", "-7", " 7", "7 ", "7.0", "0x7", "x"])
def test_a_number_column_keeps_odd_cells_as_written(odd: str) -> None:
    reader = CellReader(HEADING, ",")
    counting = [(str(number), "") for number in range(1000)]
    reader.read(block(counting))
    for rows in ([(odd, "a")], [("1", "a"), (odd, "b")], [(odd, ""), ("5", "")]):
        assert texts(reader.read(block(rows))[0]) == [row[0] for row in rows]

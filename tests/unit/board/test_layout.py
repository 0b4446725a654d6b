"""Layouts: which bits cost something, and that base and columns make the words again."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from harness.board.layout import Layout, Piece, Planes, find_layout
from harness.table import Words

WORD = st.integers(0, 0xFFFFFFFF)


@st.composite
def related_fields(draw: st.DrawFn) -> tuple[Words, ...]:
    """Seven fields that repeat each other's bits, also inverted and moved."""
    count = draw(st.integers(1, 30))
    found = [np.array(draw(st.lists(WORD, min_size=count, max_size=count)), np.uint32)]
    while len(found) < 7:
        other = found[draw(st.integers(0, len(found) - 1))]
        mask, flip = np.uint32(draw(WORD)), np.uint32(draw(WORD))
        move = np.uint32(draw(st.integers(0, 9)))
        found.append(((other << move) & mask) ^ flip)
    return tuple(found)


def rebuilt(layout: Layout, planes: Planes) -> list[list[int]]:
    """Words from base and columns, bit by bit."""
    count = planes.shape[1]
    words = [[level] * count for level in layout.base]
    for piece in layout.pieces:
        for k in range(piece.width):
            column = piece.column + k
            for at in range(count):
                level = int(planes[column // 8][at]) >> column % 8 & 1
                words[piece.field][at] ^= level << piece.bit + k
    return words


@given(related_fields())
def test_base_and_columns_make_the_words_again(fields: tuple[Words, ...]) -> None:
    layout = find_layout(fields)
    planes = layout.planes(fields)
    assert rebuilt(layout, planes) == [field.tolist() for field in fields]


@given(related_fields())
def test_a_layout_keeps_to_the_limits_of_its_header(fields: tuple[Words, ...]) -> None:
    layout = find_layout(fields)
    assert len(layout.header()) == 30 + 4 * len(layout.pieces)
    for piece in layout.pieces:
        assert piece.column // 8 == (piece.column + piece.width - 1) // 8
        assert piece.bit + piece.width <= 32
    planes = [piece.column // 8 for piece in layout.pieces]
    assert planes == sorted(planes)
    assert {p.column + k for p in layout.pieces for k in range(p.width)} == set(
        range(layout.columns)
    )


def test_bits_that_do_not_vary_cost_no_column() -> None:
    level = np.full(5, 0xDEADBEEF, np.uint32)
    layout = find_layout((level,) * 7)
    assert layout == Layout((0xDEADBEEF,) * 7, 0, ())
    assert layout.planes((level,) * 7).shape == (0, 5)


def test_equal_and_opposite_bits_share_a_column() -> None:
    zero = np.zeros(4, np.uint32)
    drive = np.array([0, 1, 1, 0], np.uint32)
    fields = (
        drive,
        zero,
        zero,
        drive << np.uint32(9),
        (drive ^ np.uint32(1)) << np.uint32(31),
        zero,
        zero,
    )
    layout = find_layout(fields)
    assert layout.columns == 1
    assert layout.pieces == (Piece(0, 0, 0, 1), Piece(0, 3, 9, 1), Piece(0, 4, 31, 1))
    assert layout.base == (0, 0, 0, 0, 1 << 31, 0, 0)
    assert layout.planes(fields).tolist() == [[0, 1, 1, 0]]


def test_nine_pins_in_and_nine_out_take_eighteen_columns_in_four_pieces() -> None:
    random = np.random.default_rng(1)
    zero = np.zeros(900, np.uint32)
    drive = random.integers(0, 512, 900, dtype=np.uint32)
    expect = random.integers(0, 512, 900, dtype=np.uint32) << np.uint32(9)
    layout = find_layout((drive, zero, zero, expect, zero, zero, zero))
    assert layout.columns == 18
    assert layout.pieces == (
        Piece(0, 0, 0, 8),
        Piece(8, 0, 8, 1),
        Piece(9, 3, 9, 7),
        Piece(16, 3, 16, 2),
    )

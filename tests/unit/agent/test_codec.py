"""Blocks: what the host encodes is what the board expands, for any words and any form."""

from __future__ import annotations

from array import array

import lz4.block
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.agent import buffers, protocol, unpack
from harness.agent.buffers import compare, copy_row, count_up, tally
from harness.agent.codec import Block, body_size
from harness.agent.cpython import ptr8
from harness.table import Words
from tests.unit.board.bodies import encode_planes

WORD = st.integers(0, 0xFFFFFFFF)
SHAPES = st.one_of(
    st.lists(WORD, min_size=1, max_size=40),
    st.tuples(WORD, st.integers(1, 40)).map(lambda given: [given[0]] * given[1]),
    st.tuples(WORD, st.integers(0, 9), st.integers(1, 40)).map(
        lambda given: [(given[0] + given[1] * k) & 0xFFFFFFFF for k in range(given[2])]
    ),
)


@st.composite
def blocks(draw: st.DrawFn) -> tuple[Words, ...]:
    """Seven fields of equally many words: random, constant or counting."""
    columns = [draw(SHAPES) for _ in protocol.FIELDS]
    count = min(len(column) for column in columns)
    return tuple(np.array(column[:count], dtype=np.uint32) for column in columns)


def words(block: Block, count: int) -> list[list[int]]:
    return [list(field[:count]) for field in block.fields]


@given(blocks())
def test_a_block_expands_to_the_words_that_were_encoded(fields: tuple[Words, ...]) -> None:
    count = len(fields[0])
    block = Block(64)
    body = encode_planes(fields)
    assert len(body) <= body_size(count)
    block.load(body, count)
    assert words(block, count) == [field.tolist() for field in fields]


@given(blocks(), blocks())
def test_nothing_of_the_previous_block_is_left(
    before: tuple[Words, ...], after: tuple[Words, ...]
) -> None:
    block = Block(64)
    block.load(encode_planes(before), len(before[0]))
    block.load(encode_planes(after), len(after[0]))
    assert words(block, len(after[0])) == [field.tolist() for field in after]


@given(st.binary(max_size=5000))
def test_matches_give_back_what_was_matched(plain: bytes) -> None:
    short = lz4.block.compress(plain * 2, "high_compression", store_size=False)
    target = bytearray(10_000)
    job = array("I", [len(short), len(target)])
    assert unpack.unmatch(short, target, job) == 2 * len(plain)
    assert target[: 2 * len(plain)] == plain * 2


@given(st.binary(max_size=300), st.integers(0, 9))
def test_matches_never_write_beyond_the_target(plain: bytes, missing: int) -> None:
    short = lz4.block.compress(plain * 3, store_size=False)
    room = max(0, 3 * len(plain) - missing)
    target = bytearray(room)
    expected = room if room == 3 * len(plain) else 0
    assert unpack.unmatch(short, target, array("I", [len(short), room])) == expected


@pytest.mark.parametrize(
    ("mode", "argument", "coded", "plain"),
    [
        (protocol.XOR, 1, [3, 1, 4, 0, 0, 1], [3, 2, 6, 6, 6, 7]),
        (protocol.XOR, 2, [3, 1, 4, 0, 0, 1], [3, 1, 7, 1, 7, 0]),
        (protocol.XOR, 9, [3, 1, 4, 0, 0, 1], [3, 1, 4, 0, 0, 1]),
        (protocol.SUB, 0, [3, 1, 255, 0, 0, 1], [3, 4, 3, 3, 3, 4]),
        (protocol.PLAIN, 0, [3, 1, 4, 0, 0, 1], [3, 1, 4, 0, 0, 1]),
        (protocol.TURNED, 0, [0b00000101, 0b10], [1, 2, 1, 0, 0, 0]),
        (protocol.TURNED | protocol.XOR, 1, [0b00000101, 0b10], [1, 3, 2, 2, 2, 2]),
    ],
)
def test_each_form_of_a_plane_worked_out_by_hand(
    mode: int, argument: int, coded: list[int], plain: list[int]
) -> None:
    body = bytes([99, mode, argument, *coded])
    assert list(ptr8(Block(8).expand_plane(body, 1, 6, 2))[:6]) == plain


def test_a_run_must_send_its_layout() -> None:
    block = Block(8)
    fields = tuple(np.arange(8, dtype=np.uint32) for _ in protocol.FIELDS)
    block.load(encode_planes(fields), 8)
    block.load(bytes((protocol.SAME,)), 8)
    block.forget()
    for opening in (protocol.SAME, protocol.PLANES):
        with pytest.raises(ValueError, match="without a layout"):
            block.load(bytes((opening,)), 8)


def test_compare_knows_levels_and_floating_pins() -> None:
    #           differs  masked  floats  driven  equal
    expect = [0b01, 0b01, 0, 0, 0b11]
    care = [0b11, 0b10, 0, 0, 0b11]
    highz = [0, 0, 0b100, 0b100, 0]
    seen = [0b00, 0b00, 0b100, 0b100, 0b11]
    floating = [0, 0, 0b100, 0, 0]
    wrong, tested = buffers.words(5), buffers.words(5)
    columns = [array("I", column) for column in (expect, care, highz, seen, floating)]
    assert compare(columns[:3], [*columns[3:], wrong, tested], 0, 5) == 2
    assert list(wrong) == [0b01, 0, 0, 0b100, 0]
    assert list(tested) == [0, 0, 0b100, 0, 0b11]


@given(st.lists(WORD, min_size=1, max_size=20))
def test_tally_counts_every_bit(wrong: list[int]) -> None:
    counts = buffers.words(32)
    tally(array("I", wrong), counts, len(wrong))
    assert list(counts) == [sum(word >> bit & 1 for word in wrong) for bit in range(32)]


def test_copy_row_and_count_up_fill_a_range_and_nothing_else() -> None:
    target = buffers.words(6)
    copy_row(array("I", [5, 7]), target, array("I", [1, 2, 3]))
    assert list(target) == [0, 0, 7, 7, 7, 0]
    count_up(target, array("I", [10, 1, 2]))
    assert list(target) == [0, 10, 11, 7, 7, 0]

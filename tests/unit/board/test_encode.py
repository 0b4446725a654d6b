"""Patterns as blocks: cut where they must be, small, expanded on the board to the same words."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.agent import protocol
from harness.agent.codec import MAX_PLANES, body_size
from harness.agent.engine import Engine
from harness.board.encode import (
    EncodedBlock,
    block_bounds,
    block_rows,
    encode_bodies,
    encode_pattern,
    wire_fields,
)
from harness.link import Command
from harness.table import PLANES, Pattern
from tests.examples import few
from tests.unit.agent.tern import TernChip, TernPins, random_pattern


def pattern(count: int, **columns: np.ndarray) -> Pattern:
    """A pattern of constant words but for the columns given."""
    return Pattern.of((), **{"drive": np.zeros(count, dtype=np.uint32), **columns})


def size(blocks: Iterator[EncodedBlock]) -> int:
    """Bytes of all payloads."""
    return sum(len(command.payload) for block in blocks for command in block.commands)


def expanded(block: EncodedBlock, engine: Engine) -> list[list[int]]:
    """The words that the agent makes of a block, without running them."""
    for command in block.commands[:-1]:
        engine.command(command.kind, command.payload)
    flags, count = engine.take_block(block.commands[-1].payload)
    assert bool(flags & protocol.CHECKED) == (block.promise is not None)
    return [list(field[:count]) for field in engine.block.fields]


def sent(whole: Pattern, cut: slice, block: EncodedBlock) -> list[list[int]]:
    """The words of a block as they go to the board: a checked one without its expectation."""
    words = {name: getattr(whole, name)[cut].tolist() for name in PLANES}
    if block.promise is not None:
        words["expect"] = [0] * block.rows
    return list(words.values())


def test_the_agent_expands_a_pattern_to_its_words() -> None:
    whole = random_pattern(11, 500)
    engine = Engine(TernPins(TernChip()), 64)
    at = 0
    for block in encode_pattern(whole, 64):
        assert block.first == at
        cut = slice(at, at + block.rows)
        repeat = whole.repeat[cut] | np.where(whole.until[cut], np.uint32(protocol.UNTIL), 0)
        assert expanded(block, engine) == [*sent(whole, cut, block), repeat.tolist()]
        at += block.rows
    assert at == 500


BITS = st.integers(0, 0xFFFFFFFF)


@st.composite
def any_patterns(draw: st.DrawFn) -> Pattern:
    """Patterns of any length whose words are random in some bits and level in the others."""
    count = draw(st.integers(1, 300))
    random = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    columns = {
        name: random.integers(0, 1 << 32, count, dtype=np.uint32) & np.uint32(draw(BITS))
        for name in (*PLANES, "repeat")
    }
    columns["repeat"] &= np.uint32(0x7FFFFFFF)
    return pattern(count, **columns)


def raw(count: int, rows: int) -> int:
    """Bytes of the payloads when the words are sent as they are, with a CRC a block."""
    blocks = -(-count // rows)
    return 28 * count + 8 * blocks


@pytest.mark.slow
@few(20)
@given(any_patterns(), st.sampled_from([1, 8, 64, 100]))
def test_no_pattern_costs_more_than_its_words_and_all_come_back(whole: Pattern, rows: int) -> None:
    blocks = list(encode_pattern(whole, rows))
    assert size(iter(blocks)) <= raw(len(whole), block_rows(wire_fields(whole), rows))
    engine = Engine(TernPins(TernChip()), 100)
    for block in blocks:
        cut = slice(block.first, block.first + block.rows)
        assert expanded(block, engine) == [*sent(whole, cut, block), whole.repeat[cut].tolist()]


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 63, 64, 65, 1023, 1024, 1025, 20_000])
def test_random_words_cost_at_most_one_hundredth_more_than_themselves(count: int) -> None:
    random = np.random.default_rng(count)
    columns = {
        name: random.integers(0, 1 << 32, count, dtype=np.uint32) for name in (*PLANES, "repeat")
    }
    columns["repeat"] &= np.uint32(0x7FFFFFFF)
    spent = size(encode_pattern(pattern(count, **columns), 1024))
    assert spent <= 1.01 * raw(count, 1024)


def test_a_block_has_fewer_rows_if_more_bits_vary_than_the_boards_memory_holds() -> None:
    random = np.random.default_rng(5)
    columns = {
        name: random.integers(0, 1 << 32, 3000, dtype=np.uint32) for name in (*PLANES, "repeat")
    }
    for fields in (2, 3, 7):
        some = pattern(3000, **dict(list(columns.items())[:fields]))
        varying = wire_fields(some)
        rows = block_rows(varying, 1024)
        assert rows == min(1024, 1024 * MAX_PLANES // (4 * fields))
        (body,) = encode_bodies(varying, [(0, rows)])
        assert len(body) <= body_size(1024)


LAYOUT_ONCE = 60
"""Bytes of a layout with four pieces, and the heads of the first block."""


@given(st.integers(1, 9), st.integers(1, 9), st.integers(1, 5000), st.integers(0, 1 << 30))
def test_random_pins_cost_at_most_one_hundredth_more_than_their_bits(
    ins: int, outs: int, count: int, seed: int
) -> None:
    random = np.random.default_rng(seed)
    drive = random.integers(0, 1 << ins, count, dtype=np.uint32)
    expect = random.integers(0, 1 << outs, count, dtype=np.uint32) << np.uint32(9)
    spent = size(encode_pattern(pattern(count, drive=drive, expect=expect), 1024))
    blocks = -(-count // 1024)
    bits = -(-count // 8) * (ins + outs)
    assert spent <= 1.01 * bits + LAYOUT_ONCE + 10 * blocks


def test_a_block_may_be_answered_with_a_word_for_each_cycle_or_a_line_for_each_row_that_waits() -> (
    None
):
    ones = np.ones(64, np.uint32)
    both = np.ones(128, np.uint32)
    twice = Pattern.of(care=both, repeat=2 * both)
    waiting = Pattern.of(care=ones, repeat=9 * ones, until=ones.astype(np.bool_))
    for pattern, sizes in ((twice, [4 * 64] * 4), (waiting, [6 * 60, 6 * 4])):
        blocks = encode_pattern(pattern, 64)
        assert [block.commands[-1].answer_size for block in blocks] == sizes


def test_a_pattern_that_fits_in_a_block_is_one_though_its_words_do_not() -> None:
    """It may have to run without a pause."""
    ones = np.ones(60, np.uint32)
    (block,) = encode_pattern(Pattern.of(care=ones, repeat=2 * ones), 64)
    assert (block.rows, block.promise) == (60, None)


def test_a_block_like_the_one_before_costs_eight_bytes() -> None:
    random = np.random.default_rng(5)
    drive = np.tile(random.integers(0, 512, 64, dtype=np.uint32), 10)
    first, *others = encode_pattern(pattern(640, drive=drive), 64)
    assert [size(iter([block])) for block in others] == [8] * 9
    engine = Engine(TernPins(TernChip()), 64)
    for block in (first, *others):
        assert expanded(block, engine)[0] == drive[:64].tolist()


def test_one_random_output_byte_costs_little_more_than_that_byte() -> None:
    count = 20_480
    random = np.random.default_rng(2).integers(0, 256, count, dtype=np.uint32)
    blocks = encode_pattern(pattern(count, expect=random << np.uint32(9)), 1024)
    assert size(blocks) <= 1.01 * count


def test_a_counter_costs_next_to_nothing() -> None:
    count = 65_536
    number = np.arange(count, dtype=np.uint32)
    blocks = encode_pattern(pattern(count, drive=number, expect=number), 1024)
    assert size(blocks) <= 0.05 * count


@given(
    st.lists(st.booleans(), min_size=1, max_size=400),
    st.integers(1, 200),
)
def test_blocks_cover_every_row_once_and_keep_to_both_limits(until: list[bool], rows: int) -> None:
    waits = np.array(until, dtype=np.bool_)
    bounds = list(block_bounds(replace(pattern(len(until)), until=waits), rows))
    assert [first for first, _ in bounds] == [0, *[stop for _, stop in bounds[:-1]]]
    assert bounds[-1][1] == len(until)
    for first, stop in bounds:
        assert 1 <= stop - first <= rows
        assert waits[first:stop].sum() <= protocol.MAX_UNTIL


def test_every_command_fits_in_a_frame() -> None:
    random = np.random.default_rng(3)
    columns = {name: random.integers(0, 1 << 32, 3000, dtype=np.uint32) for name in PLANES}
    commands: list[Command] = []
    for block in encode_pattern(pattern(3000, **columns), 1024):
        commands += block.commands
    assert max(len(command.payload) for command in commands) <= protocol.MAX_BODY - 3
    assert {command.kind for command in commands} == {protocol.LOAD, protocol.BLOCK}


def test_the_head_of_a_block_has_its_form_and_what_must_be_read_instead_of_an_expectation() -> None:
    expect = np.arange(100, dtype=np.uint32)
    care = np.full(100, 0x55, dtype=np.uint32)
    tested = (expect & care).astype("<u4").tobytes()
    once = list(encode_pattern(pattern(100, expect=expect, care=care), 50))
    sums = [zlib.crc32(tested[:200]), zlib.crc32(tested)]
    for block, promise in zip(once, sums, strict=True):
        assert block.commands[-1].payload[1:7] == struct.pack("<HI", 50, promise)
        assert block.promise is not None


@pytest.mark.parametrize(
    ("name", "value", "blocks"),
    [
        ("repeat", 2, [(0, 50, True), (50, 99, True), (99, 100, True)]),
        ("repeat", 26, [(0, 50, True), (50, 75, True), (75, 100, True)]),
        ("repeat", 27, [(0, 50, True), (50, 100, False)]),
        ("highz", 1, [(0, 50, True), (50, 100, False)]),
        ("until", True, [(0, 50, True), (50, 100, False)]),
    ],
)
def test_a_block_is_checked_if_all_its_words_come_back_and_is_cut_for_it_by_half_at_most(
    name: str, value: int, blocks: list[tuple[int, int, bool]]
) -> None:
    """Blocks of 50 vectors; row 74 is the one that is not plain."""
    plain = pattern(100)
    column = getattr(plain, name).copy()
    column[74] = value
    found = list(encode_pattern(replace(plain, **{name: column}), 50))
    assert [(b.first, b.first + b.rows, b.promise is not None) for b in found] == blocks

"""Every loop in Thumb does what its twin does, bit by bit, on an emulated Cortex-M0+.

The loops are assembled as a board does it; the twins run on CPython, as they do in other tests.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from random import Random
from typing import Any

import lz4.block
import pytest

from harness.agent import buffers, planes, protocol, rp2_stream, thumb, unpack
from harness.agent.backends import THUMB, text_of
from harness.agent.buffers import words
from harness.agent.cpython import addressof
from tests.unit.agent.thumb_core import Processor, assembled

COUNTS = (1, 2, 7, 64, 200)
CYCLES = {
    "begin_words": 14,
    "add_bits": 17,
    "begin_pairs": 19,
    "add_pairs": 25,
    "undo_xor": 14,
    "undo_sum": 11,
    "turn": 31,
    "cross_words": 33,
    "short_rows": 26,
    "spread": 17,
    "spread_pairs": 25,
    "differs": 16,
    "sum_state": 40,
    "unmatch": 10,
    "unstuff": 24,  # 16 where frames fit and have few zeros
}
"""Maximum number of cycles for each word or byte, in the long run."""
COUNTING = (rp2_stream.short_rows, rp2_stream.differs)
"""Loops whose answer counts even if it is 0."""


@pytest.fixture(scope="module")
def codes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return assembled("".join(map(text_of, THUMB)), tmp_path_factory.mktemp("thumb"))


class Both:
    """Runs a loop and its twin on copies of the same buffers."""

    def __init__(self, codes: dict[str, bytes], name: str, twin: Callable[..., Any]) -> None:
        self.code, self.twin, self.most = codes[name], twin, CYCLES[name]

    def agree(self, arguments: list[Any], count: int, places: int) -> None:
        """Compare what is returned (if anything) and all buffers; ``places`` bits are addresses."""
        processor = Processor()
        own = [array(a.typecode, a) if isinstance(a, array) else a for a in arguments]
        given = [addressof(a) if places >> k & 1 else a for k, a in enumerate(own)]
        returned = self.twin(*given)
        at = [processor.place(a) if isinstance(a, array) else a for a in arguments]
        result, cycles = processor.call(self.code, *at)
        for k, a in enumerate(own):
            if isinstance(a, array):
                assert processor.bytes_at(at[k], 4 * len(a) if a.typecode == "I" else len(a)) == (
                    a.tobytes()
                )
        if returned or self.twin in COUNTING:
            assert result == returned
        assert cycles <= self.most * count + 60


def random_bytes(random: Random, count: int) -> array[int]:
    return array("B", random.randbytes(count))


def random_words(random: Random, count: int) -> array[int]:
    return array("I", random.randbytes(4 * count))


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("name", ["begin_words", "add_bits"])
def test_a_plane_becomes_words(codes: dict[str, bytes], name: str, count: int) -> None:
    random = Random(count)
    buffers = [random_bytes(random, count), random_words(random, count), random_words(random, 256)]
    Both(codes, name, getattr(planes, name)).agree([*buffers, count], count, 3)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("name", ["begin_pairs", "add_pairs"])
def test_a_plane_becomes_pairs_of_words(codes: dict[str, bytes], name: str, count: int) -> None:
    random = Random(count)
    target, table = random_words(random, 2 * count), random_words(random, 512)
    both = Both(codes, name, getattr(rp2_stream, name))
    both.agree([random_bytes(random, count), target, table, count], count, 3)


@pytest.mark.parametrize("count", COUNTS)
def test_steps_are_undone(codes: dict[str, bytes], count: int) -> None:
    random = Random(count)
    plane, back = random_bytes(random, count), random_bytes(random, count)
    target = array("B", bytes(count))
    Both(codes, "undo_xor", planes.undo_xor).agree([plane, target, back, count], count, 7)
    Both(codes, "undo_sum", planes.undo_sum).agree([plane, target, 200, count], count, 3)


@pytest.mark.parametrize("column", range(8))
def test_a_column_is_turned(codes: dict[str, bytes], column: int) -> None:
    random = Random(column)
    groups = 1 + 5 * column
    target = array("I", bytes(8 * groups))
    both = Both(codes, "turn", planes.turn)
    both.agree([random_bytes(random, groups), target, column, groups], groups, 3)


@pytest.mark.parametrize("count", COUNTS)
def test_bits_of_words_are_moved(codes: dict[str, bytes], count: int) -> None:
    random = Random(count)
    target, table = words(count), random_words(random, 1024)
    both = Both(codes, "cross_words", rp2_stream.cross_words)
    both.agree([random_words(random, count), target, table, count], count, 0)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize(
    ("field", "value"), [(0, 1), (1, 4), (2, 0), (2, 64), (2, 0x80000003), (2, 63)]
)
@pytest.mark.parametrize("fits", [50, 9999])
def test_short_rows_end_at_another_direction_a_pull_test_a_long_row_or_full_memory(
    codes: dict[str, bytes], count: int, field: int, value: int, fits: int
) -> None:
    columns = [array("I", [level] * count) for level in (7, 0, 3)]
    columns[field][2 * count // 3] = value
    job = array("I", [count, fits])
    Both(codes, "short_rows", rp2_stream.short_rows).agree([*columns, job], count, 7)


@pytest.mark.parametrize("count", COUNTS)
def test_words_are_written_as_often_as_their_rows_run(codes: dict[str, bytes], count: int) -> None:
    random = Random(count)
    repeat = array("I", random.choices([0, 1, 1, 1, 4, 63], k=count))
    cycles = sum(repeat)
    source, target = random_words(random, count), words(cycles)
    both = Both(codes, "spread", rp2_stream.spread)
    both.agree([source, target, repeat, count], count + cycles, 7)
    source, target, job = random_words(random, 2 * count), words(2 * cycles), words(2)
    job[0], job[1] = count, 4 * count
    both = Both(codes, "spread_pairs", rp2_stream.spread_pairs)
    both.agree([source, target, repeat, job], count + cycles, 7)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("care", [0xFF00, 0x00FF])
def test_a_word_that_differs_is_met_where_it_is_cared_for(
    codes: dict[str, bytes], count: int, care: int
) -> None:
    seen = random_words(Random(count), count)
    expect = array("I", seen)
    expect[-1] ^= 0x0100
    cared = array("I", [care] * count)
    found = rp2_stream.differs(addressof(seen), addressof(expect), addressof(cared), count)
    assert found == (care == 0xFF00)
    both = Both(codes, "differs", rp2_stream.differs)
    both.agree([seen, expect, cared, count], count, 7)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("before", [0, 1, 0xFFFFFFFF, 0x12345678])
def test_the_crc_of_masked_words_is_continued(
    codes: dict[str, bytes], monkeypatch: pytest.MonkeyPatch, count: int, before: int
) -> None:
    random = Random(count)
    seen, care = random_words(random, count), random_words(random, count)
    processor = Processor()

    def on_processor(seen: Any, care: Any, state: Any, count: int) -> None:
        at = processor.place(state)
        _, cycles = processor.call(
            codes["sum_state"], processor.place(seen), processor.place(care), at, count
        )
        state[0] = int.from_bytes(processor.bytes_at(at, 4), "little")
        assert cycles <= CYCLES["sum_state"] * count + 60

    monkeypatch.setattr(thumb, "sum_state", on_processor)
    found = thumb.sum_masked(seen, care, words(count), count, before)
    assert found == buffers.sum_masked(seen, care, words(count), count, before)


@pytest.mark.parametrize("text", ["", "a", "ab" * 300, "random", "mixed"])
@pytest.mark.parametrize("short_of", [0, 1, 40])
def test_matches_give_back_what_was_matched(
    codes: dict[str, bytes], text: str, short_of: int
) -> None:
    random = Random(text)
    made = {"random": random.randbytes(700), "mixed": bytes(range(200)) * 3 + random.randbytes(90)}
    plain = made.get(text, text.encode())
    short = array("B", lz4.block.compress(plain, store_size=False))
    room = max(len(plain) - short_of, 0)
    job = array("I", [len(short), room])
    # The loop stops where the room ends: what it had written by then is of no interest.
    target = array("B", bytes(room))
    both = Both(codes, "unmatch", unpack.unmatch)
    both.agree([short, target, job], len(plain) + 5 * len(short), 0)


PARTS = (
    protocol.frame(3, 1, protocol.LOAD, bytes(range(256)) * 2),
    protocol.frame(3, 2, protocol.BLOCK, b"\x01" * 254),
    protocol.frame(3, 3, protocol.DONE, b""),
    bytes(70),
    b"\x05cut\x00",
    b"\xff" * 300,
)


@pytest.mark.parametrize("room", [16, 1104])
@pytest.mark.parametrize("seed", range(4))
def test_frames_are_taken_apart(codes: dict[str, bytes], seed: int, room: int) -> None:
    """Wherever the reads end, and when frames are damaged or too long."""
    random = Random(seed)
    stream = array("B", b"".join(random.choices(PARTS, k=6)))
    target, state = array("B", bytes(room)), array("I", [0, 0, 0, 0, 0, room])
    both = Both(codes, "unstuff", protocol.unstuff)
    while state[0] < len(stream):
        end = min(len(stream), state[0] + random.choice([1, 64, 256]))
        both.agree([stream, state, target, end], end - state[0], 0)
        if protocol.unstuff(memoryview(stream), state, memoryview(target), end):
            state[1] = state[2] = state[3] = state[4] = 0

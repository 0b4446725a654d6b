"""Forms of a plane: each can be undone by the agent, and the choice finds a cheap one."""

from __future__ import annotations

from array import array

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.agent import buffers, codec, planes, protocol
from harness.agent.cpython import addressof, ptr8
from harness.board.forms import Form, Plane, choose

MODES = [protocol.PLAIN, protocol.XOR, protocol.SUB]
PLANES = st.binary(min_size=1, max_size=70).map(lambda data: np.frombuffer(data, np.uint8))


def undone(form: bytes, count: int, width: int) -> list[int]:
    """The bytes that the agent's loops expand a plane to."""
    block = codec.Block(72)
    return list(ptr8(block.expand_plane(form, 0, count, width))[:count])


@given(PLANES, st.sampled_from(MODES), st.integers(1, 255), st.booleans(), st.integers(1, 8))
def test_the_agent_undoes_every_form(
    plane: Plane, mode: int, back: int, turned: bool, width: int
) -> None:
    used = plane & np.uint8((1 << width) - 1) if mode != protocol.SUB else plane
    width = 8 if mode == protocol.SUB else width
    form = Form(mode | (protocol.TURNED if turned else 0), back if mode == protocol.XOR else 0)
    data = form.apply(used, width)
    each = width * -(-len(used) // 8) if turned else len(used)
    assert len(data) == 2 + each
    assert undone(data, len(used), width) == used.tolist()


def test_a_counter_is_sent_as_sums() -> None:
    assert choose(np.arange(1024).astype(np.uint8), 8) == Form(protocol.SUB)


@pytest.mark.parametrize("period", [37, 100, 150])
def test_rows_that_follow_rows_before_are_sent_as_the_difference_to_them(period: int) -> None:
    random = np.random.default_rng(period)
    again = np.resize(random.integers(0, 256, period, dtype=np.uint8), 1024)
    slowly = np.repeat(random.integers(0, 256, 1024 // period + 1, dtype=np.uint8), period)[:1024]
    form = choose((again ^ slowly) & np.uint8(3), 2)
    assert form.mode == protocol.XOR | protocol.TURNED
    assert form.back % period == 0


def test_random_bits_of_part_of_a_plane_are_sent_column_by_column() -> None:
    plane = np.random.default_rng(3).integers(0, 8, 1024, dtype=np.uint8)
    form = choose(plane, 3)
    assert form == Form(protocol.TURNED)
    assert len(form.apply(plane, 3)) == 2 + 3 * 128


@given(PLANES, st.integers(1, 8))
@example(np.array([0, 0, 7, 7, 7, 6, 6, 5, 5], np.uint8), 3)
def test_the_choice_can_always_be_undone(plane: Plane, width: int) -> None:
    used = plane & np.uint8((1 << width) - 1)
    data = choose(used, width).apply(used, width)
    assert undone(data, len(used), width) == used.tolist()


@pytest.mark.parametrize("width", [1, 3, 8])
def test_the_table_of_a_plane_holds_every_value_of_its_columns(width: int) -> None:
    table, bits = buffers.words(256), array("I", [1 << 3 * k for k in range(8)])
    planes.fill_table(addressof(table), 0x80000000, bits, width)
    for byte in range(1 << width):
        assert table[byte] == 0x80000000 | sum(1 << 3 * k for k in range(8) if byte >> k & 1)

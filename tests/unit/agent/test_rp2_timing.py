"""The PIO programs: their length worked out here in another way, and run by a second emulator."""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pioemu import ShiftRegister, State, emulate

from harness.agent import rp2_timing
from harness.agent.rp2_timing import Layout, layout

TICKS = st.one_of(st.integers(1, 200), st.integers(1, 5000), st.integers(1, 500_000_000))
SAMPLE = st.one_of(st.just(0), st.integers(1, 150), st.integers(1, 3000))


def opcode(instruction: int) -> int:
    """An instruction without its delay."""
    return instruction & ~0x1F00


def walk(found: Layout, cycles: int) -> list[tuple[str, int]]:
    """When pins move and are read, by going through a program and multiplying loops out."""
    events: list[tuple[str, int]] = []
    at = now = 0
    y = cycles - 1 if found.x is None else 0
    while sum(kind == "read" for kind, _ in events) < cycles:
        whole = found.program[at]
        instruction, target, spare = opcode(whole), whole & 31, whole >> 8 & 31
        follow = (at + 1) % len(found.program)
        if instruction in (rp2_timing.OUT_PINS, *MOVES):
            events.append(("move", now))
        elif instruction == rp2_timing.IN_PINS:
            events.append(("read", now))
        elif instruction == rp2_timing.MOV_Y_X:
            y = found.x or 0
        elif instruction & ~31 == rp2_timing.SET_Y:
            y = target
        elif instruction & ~31 == rp2_timing.GO_Y_DOWN:
            if target == at:
                now += y * (1 + spare)
            elif y:
                y -= 1
                follow = target
        now += 1 + spare
        at = follow
    return events


MOVES = (rp2_timing.MOV_PINS_X, rp2_timing.MOV_PINS_Y, rp2_timing.MOV_PINS_ISR)


@given(st.sampled_from([1, 2]), TICKS, st.integers(0, 400), SAMPLE)
def test_a_cycle_takes_the_ticks_that_its_layout_says(
    words: int, ticks: int, settle: int, sample: int
) -> None:
    found = layout(words, ticks, settle, sample)
    assert len(found.program) <= 32
    assert all(0 <= instruction <= 0xFFFF for instruction in found.program)
    events = walk(found, 3)
    moves = [now for kind, now in events if kind == "move"]
    reads = [now for kind, now in events if kind == "read"]
    edges = 3 if words == 2 else 1
    assert [b - a for a, b in pairwise(reads)] == [found.ticks] * 2
    assert moves[edges] - moves[0] == moves[2 * edges] - moves[edges] == found.ticks
    assert reads[1] - moves[2 * edges - 1] == found.read >= rp2_timing.MIN_READ
    if settle:
        assert found.read - rp2_timing.SYNC_TICKS >= settle
        assert words == 1 or moves[1] - moves[0] >= settle
    elif ticks >= rp2_timing.PULSED_TICKS:
        assert found.ticks == ticks, "every number of ticks is reached"


@given(st.sampled_from([1, 2]), st.integers(6, 3000), st.integers(1, 1055))
def test_the_sample_point_is_as_requested_or_as_late_as_possible(
    words: int, ticks: int, sample: int
) -> None:
    late = layout(words, ticks, 0, 0).read
    found = layout(words, ticks, 0, sample)
    assert found.read == max(3, sample + 2) or found.read >= late - 3
    assert found.read <= ticks - 1


def test_the_slowest_possible_rate_is_below_one_hertz() -> None:
    for words in (1, 2):
        found = layout(words, 125_000_000, 0, 0)
        assert found.ticks == 125_000_000
        assert found.x is not None
        assert found.x < 1 << 32


def clock(state: State) -> int:
    """The pins of the second emulator: it has no wires, so they show the time."""
    return int(state.clock)


# it looks at the annotation to tell what the function wants
clock.__annotations__ = {"state": State, "return": int}


def second_opinion(found: Layout, cycles: int) -> list[tuple[str, int]]:
    """When pins move and are read, by another emulator of a state machine."""
    words = deque(range(1, cycles * found.words + 1))
    x = found.x or 0
    if found.words == 2 and found.x is None:
        x = words.popleft()
    state = State(
        transmit_fifo=words,
        output_shift_register=ShiftRegister(words.popleft(), 0),
        x_register=x,
        y_register=cycles - 1,
    )
    events: list[tuple[str, int]] = []
    for before, _after in emulate(
        list(found.program),
        stop_when=lambda _opcode, now: len(now.receive_fifo) == cycles,
        initial_state=state,
        input_source=clock,
        auto_pull=True,
        auto_push=True,
    ):
        instruction = opcode(found.program[before.program_counter])
        if instruction in (rp2_timing.OUT_PINS, *MOVES):
            events.append(("move", before.clock))
        elif instruction == rp2_timing.IN_PINS:
            events.append(("read", before.clock))
    return events


PLAIN = [(1, 4, 0), (1, 9, 3), (1, 95, 0), (1, 96, 5), (1, 700, 0), (1, 700, 40)]
PULSED = [(2, 6, 0), (2, 31, 4), (2, 96, 0), (2, 163, 0), (2, 500, 0), (2, 500, 40)]


@pytest.mark.parametrize(("words", "ticks", "sample"), [*PLAIN, *PULSED])
def test_another_emulator_takes_as_many_ticks(words: int, ticks: int, sample: int) -> None:
    found = layout(words, ticks, 0, sample)
    assert found.ticks == ticks
    assert second_opinion(found, 4) == walk(found, 4)

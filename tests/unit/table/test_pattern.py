"""Patterns as arrays: rows split at chosen cycles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.table import Pattern

REPEATS = st.lists(st.integers(1, 5), min_size=1, max_size=8)
CYCLES = st.lists(st.integers(-2, 45), max_size=8)


def pattern_of(repeat: list[int], waits: int = -1) -> Pattern:
    """Row k drives k; row ``waits`` waits for its outputs."""
    rows = np.arange(len(repeat), dtype=np.uint32)
    return Pattern.of(drive=rows, repeat=np.array(repeat, np.uint32), until=rows == waits)


@given(repeat=REPEATS, cycles=CYCLES)
def test_a_split_pattern_has_the_same_cycles_and_begins_a_row_at_each_cycle(
    repeat: list[int], cycles: list[int]
) -> None:
    whole = pattern_of(repeat)
    cut, rows = whole.split(cycles)
    assert list(np.repeat(cut.drive, cut.repeat)) == list(np.repeat(whole.drive, whole.repeat))
    assert list(rows) == list(cut.drive)
    begun = {0, *np.cumsum(cut.repeat).tolist()}
    wanted = {cycle for cycle in cycles if 0 <= cycle <= whole.cycles}
    assert begun == {0, *np.cumsum(repeat).tolist()} | wanted


def test_the_label_of_a_split_row_stays_at_its_first_cycle() -> None:
    whole = pattern_of([1, 4])
    labelled = replace(whole, labels={1: "count"})
    assert labelled.split([2, 3])[0].labels == {1: "count"}


def test_a_row_that_waits_for_its_outputs_is_not_split() -> None:
    waiting = pattern_of([1, 4, 1], waits=1)
    assert list(waiting.split([1, 5])[0].repeat) == [1, 4, 1]
    with pytest.raises(ValueError, match=r"^a row .* cannot be split$"):
        waiting.split([2])

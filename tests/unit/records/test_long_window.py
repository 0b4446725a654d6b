"""Long windows: thousands of words in one text, and back."""

from __future__ import annotations

import base64
import re
import zlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.records import WINDOW_FIELDS, LongWindow, packed_words, unpacked_words

WORD = st.integers(0, 0xFFFFFFFF)
COLUMNS = st.integers(0, 40).flatmap(
    lambda count: st.fixed_dictionaries(
        {name: st.lists(WORD, min_size=count, max_size=count) for name in WINDOW_FIELDS}
    )
)


def window_of(columns: dict[str, list[int]]) -> LongWindow:
    return LongWindow(7, len(columns["seen"]), ("in0",), ("d",), packed_words(columns), "")


@given(columns=COLUMNS)
def test_any_words_come_back(columns: dict[str, list[int]]) -> None:
    words = unpacked_words(window_of(columns))
    assert {name: list(column) for name, column in words.items()} == columns


def test_four_thousand_cycles_of_a_counter_take_little() -> None:
    columns = {name: [k & 0xFF for k in range(4104)] for name in WINDOW_FIELDS}
    columns |= {name: list(range(4104)) for name in ("row", "line")}
    assert len(packed_words(columns)) < 3000


def text(data: bytes) -> str:
    return base64.b64encode(data).decode()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("?", "cannot be read: Only base64 data is allowed"),
        ("AAAA", "cannot be read: Error -3 while decompressing data: unknown compression method"),
        (text(zlib.compress(bytes(9))), "are not 40 bytes, as its cycles need"),
        (text(zlib.compress(bytes(10**7))), "are not 40 bytes, as its cycles need"),
        (text(zlib.compress(bytes(40))[:-1]), "are not 40 bytes, as its cycles need"),
    ],
)
def test_damaged_words_are_refused(words: str, why: str) -> None:
    good = window_of({name: [1] for name in WINDOW_FIELDS})
    with pytest.raises(ValueError, match=re.escape(f"the words of a long window {why}") + "$"):
        unpacked_words(replace(good, words=words))

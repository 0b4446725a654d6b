"""Any pattern of serial numbers takes time in proportion to its length."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.shuttle import is_serial, pattern_of
from harness.shuttle.serials import pattern_trouble

SLOW_ELSEWHERE = ["(S+)+$", "(a|a)*b", "((a*)*)*b", "(?:S?){400}S{400}", "(S|SS)+!", "(.*)*x"]


@pytest.mark.parametrize("pattern", SLOW_ELSEWHERE)
def test_no_pattern_keeps_a_computer_busy(pattern: str) -> None:
    began = time.monotonic()
    for text in ("S" * 60 + "?", "a" * 10_000):
        assert not is_serial(pattern, text)
    assert time.monotonic() - began < 5


def test_a_whole_serial_number_matches() -> None:
    assert is_serial("SP2-[0-9]{4}", "SP2-0001")
    for text in ("SP2-00011", " SP2-0001", "SP2-0001\n", "", "SP2-\udc80001"):
        assert not is_serial("SP2-[0-9]{4}", text)


@pytest.mark.parametrize(
    ("pattern", "told"),
    [
        (r"(S)\1", r"invalid escape sequence: \1"),
        ("(?=S)S", "invalid perl operator: (?="),
        ("(((S{1000}){1000}){1000}", "invalid repetition size: {1000}"),
        ("S[0-9", "missing ]: [0-9"),
        ("SP2-[0-9]{4}", ""),
    ],
)
def test_what_is_no_pattern_is_told_and_nothing_matches_it(pattern: str, told: str) -> None:
    assert pattern_trouble(pattern) == told
    assert not told or not is_serial(pattern, "S")


@given(st.text(), st.text())
def test_the_pattern_of_a_serial_number_matches_it_and_nothing_else(one: str, other: str) -> None:
    assert is_serial(pattern_of(one), one)
    assert is_serial(pattern_of(one), other) == (one == other)

"""Odds are written with the figures that they are worth."""

from __future__ import annotations

import math

import pytest

from harness.blame import odds_text


@pytest.mark.parametrize(
    ("odds", "text"),
    [
        (1.0, "1 : 1"),
        (3.52, "3.5 : 1"),
        (404.0, "400 : 1"),
        (86_667.0, "87,000 : 1"),
        (1e9, "over 100,000 : 1"),
        (math.inf, "over 100,000 : 1"),
        (math.nan, "over 100,000 : 1"),
    ],
)
def test_odds_have_two_digits_and_a_bound(odds: float, text: str) -> None:
    assert odds_text(odds) == text

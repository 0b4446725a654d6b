"""Verdicts and names as pages show them."""

from __future__ import annotations

import time

import pytest

from harness.records import Verdict
from harness_reports.looks import coded, tally_text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (
            "lt (pin out1) was low (0), first in cycle 1.",
            "<code>lt</code> (pin <code>out1</code>) was low (0), first in cycle 1.",
        ),
        ("cycle 1: pin a (b) expected 1", "cycle 1: pin <code>a (b)</code> expected 1"),
        ("First: cmp85 / directed: low", "First: <code>cmp85 / directed</code>: low"),
        ("First: crc16 / check, cycle 7", "First: <code>crc16 / check</code>, cycle 7"),
        (
            "A5 (SP2-0005): in3 does not reach the chip; q[2] is 0x29.",
            "A5 (SP2-0005): <code>in3</code> does not reach the chip; q[2] is 0x29.",
        ),
        ("<b> & in3", "&lt;b&gt; &amp; <code>in3</code>"),
        ("a pin that floats (pin", "a pin that floats (pin"),
        ("\x1b[31m in3\u202e", r"\x1b[31m <code>in3</code>\u202e"),
    ],
)
def test_names_in_a_sentence_are_set_apart_and_everything_is_escaped(text: str, shown: str) -> None:
    assert coded(text) == shown


def test_large_numbers_of_verdicts_are_grouped() -> None:
    assert tally_text([Verdict.PASS] * 4441 + [Verdict.FAIL]) == "1 FAIL, 4,441 PASS"


@pytest.mark.parametrize("piece", ["a", "a-", "_a", "pin a (", "a1[1", "a/", "a /"])
def test_no_sentence_takes_long(piece: str) -> None:
    """A pattern that goes back over 200 kB takes minutes."""
    text = piece * (200_000 // len(piece))
    begun = time.process_time()
    coded(text)
    assert time.process_time() - begun < 3

"""The five lines that a person reads in the morning."""

from __future__ import annotations

from harness.judge import Change, NightChanges
from harness.nightly import five_lines
from harness.store import Verdict


def untested(chip: str, table: str, before: Verdict) -> Change:
    known = before is Verdict.ERROR
    return Change("A1", chip, "crc16", table, before, Verdict.ERROR, known, "no connection")


def line_of(*found: Change) -> str:
    return five_lines(NightChanges("before", (), (), (), found, ()))[3]


def test_what_is_new_is_named_and_what_is_known_is_counted() -> None:
    old = [untested("SP2-0005", f"t{number}", Verdict.ERROR) for number in range(4)]
    new = untested("SP2-0006", "stream", Verdict.PASS)
    assert line_of(*old, new) == "could not be tested      5  SP2-0006 crc16/stream (4 known)"


def test_a_line_of_known_ones_names_nobody() -> None:
    assert line_of(untested("SP2-0005", "check", Verdict.ERROR)) == (
        "could not be tested      1  (1 known)"
    )

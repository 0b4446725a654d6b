"""The five lines that a person reads in the morning."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.jobs.morning import five_lines, morning_lines
from harness.jobs.night_margins import NightMargins
from harness.judge import Change, NightChanges
from harness.records import Reason, Verdict
from tests.unit.store.test_causes import CAUSE

WHY = Reason.PINS_OPEN, "no connection"


def untested(chip: str, table: str, before: Verdict) -> Change:
    known = before is Verdict.ERROR
    return Change("A1", chip, "crc16", table, before, Verdict.ERROR, known, *WHY)


def line_of(*found: Change) -> str:
    return five_lines(NightChanges("before", (), (), (), found, ()))[3]


def test_what_is_new_is_named_and_what_is_known_is_counted() -> None:
    old = [untested("SP2-0005", f"t{number}", Verdict.ERROR) for number in range(4)]
    new = untested("SP2-0006", "stream", Verdict.PASS)
    assert (
        line_of(*old, new)
        == "could not be tested      5  A1 SP2-0006 crc16/stream (4 already known)"
    )


def test_a_line_of_known_ones_names_nobody() -> None:
    assert line_of(untested("SP2-0005", "check", Verdict.ERROR)) == (
        "could not be tested      1  (1 already known)"
    )


def change(
    before: Verdict | None,
    now: Verdict,
    reason: Reason = Reason.SAME_MISMATCH,
    *,
    known: bool = False,
    expired: bool = False,
) -> Change:
    return Change("A1", "SP2-0001", "crc16", "check", before, now, known, reason, "", expired)


F, P, U, W = Verdict.FAIL, Verdict.PASS, Verdict.UNSTABLE, Verdict.WAIVED


@pytest.mark.parametrize(
    ("place", "found", "told"),
    [
        (0, change(F, F), "1  SP2-0001 crc16/check (1 failed differently before)"),
        (0, change(F, F, expired=True), "1  SP2-0001 crc16/check (1 waiver expired)"),
        (0, change(W, F, expired=True), "1  SP2-0001 crc16/check (1 waiver expired)"),
        (0, change(W, F), "1  SP2-0001 crc16/check (1 waived before)"),
        (0, change(P, F), "1  SP2-0001 crc16/check"),
        (1, change(U, P), "1  SP2-0001 crc16/check (1 unstable before, passed in one run)"),
        (1, change(F, P), "1  SP2-0001 crc16/check"),
        (
            3,
            change(P, Verdict.NOT_RUN, Reason.NOT_PART),
            "A1 SP2-0001 crc16/check (1 not in this run)",
        ),
        (4, change(P, P, known=True), "1  1 PASS"),
        (4, change(P, W), "1  1 WAIVED (1 newly waived)"),
        (4, change(None, P), "1  1 PASS (1 not in the baseline)"),
    ],
)
def test_a_line_says_what_is_special_about_a_change(place: int, found: Change, told: str) -> None:
    places: list[tuple[Change, ...]] = [(), (), (), (), ()]
    places[place] = (found,)
    assert five_lines(NightChanges("before", *places))[place].endswith(told)


def test_without_a_baseline_no_pass_is_told_as_new() -> None:
    found = NightChanges("", (), (), (), (), (change(None, P),))
    assert five_lines(found)[4].endswith("1  1 PASS")


@pytest.mark.parametrize("verdict", list(Verdict))
def test_only_what_is_bad_and_just_as_before_counts_as_known(verdict: Verdict) -> None:
    bad = verdict in {Verdict.FAIL, Verdict.UNSTABLE, Verdict.ERROR}
    key = ("SP2-0001", "crc16", "check")
    for place in range(1, 5):
        places: list[tuple[Change, ...]] = [(), (), (), (), ()]
        places[place] = (change(verdict, verdict, known=True),)
        found = NightChanges("before", *places).known_failures
        assert found == (frozenset({key}) if bad and place > 1 else frozenset())
        places[place] = (change(verdict, verdict),)
        assert not NightChanges("before", *places).known_failures


def test_tables_that_fail_their_rehearsal_are_said_before_the_five() -> None:
    bad = ("crc16/check", "crc16/stream", "gray/count", "lfsr/period", "lfsr/states")
    found = NightChanges("before", (), (), (), (), (), edited=("profile",), rehearsed_badly=bad)
    assert morning_lines(found, NightMargins())[1] == (
        "fail rehearsal           5  crc16/check, crc16/stream, gray/count, lfsr/period, 1 more"
    )


def test_files_that_changed_since_the_baseline_are_said_first() -> None:
    found = NightChanges("before", (), (), (), (), (), edited=("profile", "crc16/check"))
    assert morning_lines(found, NightMargins())[0] == (
        "changed files            2  profile, crc16/check"
    )


def test_a_cause_stands_once_for_all_tables_that_it_explains() -> None:
    cause = replace(CAUSE, summary="A1: in3 does not reach the chip.", advice="Reseat it.")
    one = replace(untested("SP2-0006", "stream", Verdict.PASS), cause=cause.key)
    alone = untested("SP2-0006", "other", Verdict.PASS)
    found = NightChanges("before", (), (), (), (one, replace(one, table="check"), alone), ())
    assert five_lines(found, (cause,))[3] == (
        "could not be tested      3  A1: in3 does not reach the chip. Reseat it; "
        "A1 SP2-0006 crc16/other"
    )

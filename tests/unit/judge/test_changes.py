"""What a night changed: every pair of verdicts in its one place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.judge import Baseline, KnownVerdict, NightChanges, changes
from harness.records import (
    Outcome,
    Rehearsal,
    RehearsalResult,
    RunRecord,
    Verdict,
    WaiverRecord,
)
from tests.unit.store.nights import LETTERS
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome


def run_of(run_id: str, verdicts: str, slot: str = "A1") -> RunRecord:
    """A run with a table per letter; a blank is a table that it does not have."""
    plain = replace(failing_outcome(), slot=slot)
    outcomes = tuple(
        replace(plain, design=f"d{number}", verdict=LETTERS[letter])
        for number, letter in enumerate(verdicts)
        if letter != " "
    )
    return replace(heading(run_id), chips=(replace(chip(slot), outcomes=outcomes),))


def baseline_of(run: RunRecord) -> Baseline:
    """What nights are compared with if this run is accepted."""
    known = (
        KnownVerdict(
            o.slot, o.chip_serial, o.design, o.table, o.verdict, o.table_sha256, o.mismatches
        )
        for chip in run.chips
        for o in chip.outcomes
    )
    return Baseline(run.run_id, run.started, run.profile_sha256, NOON, "as agreed", tuple(known))


def compare(before: str, now: str) -> NightChanges:
    return changes(run_of("now", now), baseline_of(run_of("before", before)))


PLACES = {
    "newly_failing": "PF WF EF -F  F UF",
    "newly_fixed": "FP UP WP",
    "unstable": "PU FU UU  U WU EU",
    "untested": "PE FE EE  E P- -- E- P ",
    "unchanged": "PP FF WW FW PW EP  P -P",
}


def pairs(text: str) -> list[str]:
    """Cut ``PF WF  F`` into pairs of before and now; the third letter only separates."""
    return [text[start : start + 2].ljust(2) for start in range(0, len(text), 3)]


@pytest.mark.parametrize(
    ("place", "pair"),
    [(place, pair) for place, text in PLACES.items() for pair in pairs(text)],
)
def test_a_pair_of_verdicts_has_one_place(place: str, pair: str) -> None:
    found = compare(pair[0], pair[1])
    sizes = {name: len(getattr(found, name)) for name in PLACES}
    assert sizes == {name: int(name == place) for name in PLACES}


def test_what_was_unstable_and_fails_now_is_news() -> None:
    assert compare("U", "F").newly_failing[0].before is Verdict.UNSTABLE


@pytest.mark.parametrize(
    ("before", "now", "failed", "untested"),
    [
        ("P", "P", False, False),
        ("F", "F", False, False),
        ("P", "F", True, False),
        ("P", "W", False, False),
        ("W", "F", True, False),
        ("U", "U", False, False),
        ("P", "U", True, False),
        ("F", "U", True, False),
        ("E", "E", False, False),
        ("P", "E", False, True),
        ("-", "-", False, True),
        ("P", " ", False, True),
        ("E", " ", False, True),
        ("F", "P", False, False),
    ],
)
def test_only_news_turns_a_night_red(before: str, now: str, failed: bool, untested: bool) -> None:
    found = compare(before, now)
    assert (found.has_new_failures, found.has_newly_untested) == (failed, untested)


ONE = run_of("one", "F").chips[0].outcomes[0]


def compare_one(now: Outcome, before: Outcome = ONE) -> NightChanges:
    """Compare a run of one table with a baseline of one."""

    def run(outcome: Outcome) -> RunRecord:
        return replace(heading(), chips=(replace(chip(), outcomes=(outcome,)),))

    return changes(run(now), baseline_of(run(before)))


@pytest.mark.parametrize(
    "other", [replace(ONE, mismatches=ONE.mismatches + 1), replace(ONE, table_sha256="0" * 64)]
)
def test_a_failure_of_another_table_or_with_more_wrong_is_news(other: Outcome) -> None:
    """Else what is known would hide whatever goes wrong beside it."""
    assert not compare_one(ONE).has_new_failures
    found = compare_one(other)
    assert found.has_new_failures
    assert [change.before for change in found.newly_failing] == [Verdict.FAIL]


def test_an_unstable_table_differs_every_night_and_is_known_unless_the_table_changed() -> None:
    before = replace(ONE, verdict=Verdict.UNSTABLE)
    now = replace(before, mismatches=before.mismatches + 1)
    assert not compare_one(now, before).has_new_failures
    assert compare_one(replace(now, table_sha256="0" * 64), before).has_new_failures


@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.UNSTABLE])
def test_an_expired_waiver_is_news_whatever_the_baseline_has(verdict: Verdict) -> None:
    expired = WaiverRecord("Wilma Dunlin", "known", "T-1", "2026-01-31")
    before = replace(ONE, verdict=verdict)
    found = compare_one(replace(before, waiver=expired), before)
    assert found.has_new_failures
    (change,) = (*found.newly_failing, *found.unstable)
    assert change.expired


def test_without_a_baseline_every_failure_is_new() -> None:
    found = changes(run_of("now", "PFU"), None)
    assert (found.baseline, len(found.newly_failing), len(found.unchanged)) == ("", 1, 1)
    assert found.has_new_failures


def test_a_chip_that_moved_to_another_slot_is_still_the_same_chip() -> None:
    found = changes(run_of("now", "PF", slot="A2"), baseline_of(run_of("before", "PF", slot="A1")))
    assert (len(found.unchanged), found.has_new_failures, found.has_newly_untested) == (
        2,
        False,
        False,
    )


def test_files_that_the_baseline_had_otherwise_are_named_once() -> None:
    then = baseline_of(run_of("before", "PF"))
    edited = replace(then, profile_sha256="9", verdicts=(
        replace(then.verdicts[0], table_sha256="0" * 64), then.verdicts[1]
    ))  # fmt: skip
    assert changes(run_of("now", "PF"), then).edited == ()
    assert changes(run_of("now", "PFP"), edited).edited == ("profile", f"d0/{ONE.table}")


def test_tables_that_fail_or_fight_on_their_own_netlist_are_named_once() -> None:
    fails = Rehearsal(RehearsalResult.FAILS, states=3, failing_states=3)
    fights = Rehearsal(RehearsalResult.PASSES, states=3, contended_rows=1)
    night = run_of("now", "PPPP")
    (chip,) = night.chips
    results = (fails, fights, replace(fights, intended=True), None)
    outcomes = tuple(
        replace(outcome, rehearsal=result)
        for outcome, result in zip(chip.outcomes, results, strict=True)
    )
    again = replace(chip, slot="A9", chip_serial="SP2-0009", outcomes=outcomes)
    both = replace(night, chips=(replace(chip, outcomes=outcomes), again))
    assert changes(both, None).rehearsed_badly == (f"d0/{ONE.table}", f"d1/{ONE.table}")

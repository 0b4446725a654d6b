"""Verdicts: only evidence from the chip makes PASS or FAIL."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from harness.board import Capture, RunConditions
from harness.errors import BoardLost, TableUnfit
from harness.judge import Case, RetryPolicy, examine
from harness.judge.verdict import Gathered, judge
from harness.records import Outcome, Reason, TableRow, Verdict
from harness.shuttle import Waiver
from harness.table import NO_CYCLES, Cycles, Pattern
from tests.unit.judge.samples import (
    IO0,
    OUT0,
    OUT1,
    REHEARSED,
    TODAY,
    FunctionSession,
    case,
    follow_pattern,
    good_chip,
    until_pattern,
)


def stuck_high(cycle: int, drive: int) -> int:
    return good_chip(cycle, drive) | 1 << OUT1


def reads_low(cycle: int, drive: int) -> int:
    return good_chip(cycle, drive) & ~(1 << OUT1)


def outcome_of(
    session: FunctionSession,
    policy: RetryPolicy | None = None,
    waivers: tuple[Waiver, ...] = (),
) -> Outcome:
    return examine(session, case(waivers=waivers), policy or RetryPolicy(), TODAY).outcome


def waiver(expiry: date = date(2026, 12, 31), pin: str = "", chip: str = "PK-01") -> Waiver:
    return Waiver("follow", "all", (chip,), "Per Knot", "known weak", "T-7", expiry, pin)


def test_an_outcome_names_its_design_as_the_design_file_does() -> None:
    outcome = outcome_of(FunctionSession())
    assert (outcome.design, outcome.design_title) == ("follow", "Follower")
    assert (outcome.design_source, outcome.design_author) == ("worked by hand", "Wilma Dunlin")


def test_a_run_without_mismatch_is_pass_after_one_run() -> None:
    session = FunctionSession()
    outcome = outcome_of(session)
    assert outcome.verdict is Verdict.PASS
    assert outcome.summary == "All tested outputs were as expected in 4 cycles."
    assert (outcome.reason, outcome.advice) == (Reason.AS_EXPECTED, "")
    assert len(outcome.attempts) == 1


def test_the_same_mismatch_in_every_run_is_fail_with_pin_cycle_and_line() -> None:
    session = FunctionSession([stuck_high])
    outcome = outcome_of(session)
    assert outcome.verdict is Verdict.FAIL
    assert outcome.summary == (
        "q[1] (pin out1) was high (1) where low (0) was expected, first in cycle 0, table line 2 "
        "(first); 2 of 4 cycles differ, the same in 3 runs."
    )
    assert [attempt.number for attempt in outcome.attempts] == [1, 2, 3]
    assert [cycle.cycle for cycle in outcome.evidence] == [0, 1]
    assert outcome.evidence[0].wrong[0].signal == "q[1]"
    assert (outcome.pin_counts[0].pin, outcome.pin_counts[0].mismatches) == ("out1", 2)
    assert "cannot tell a faulty chip from a mistake" in outcome.advice


def test_a_mismatch_that_does_not_come_back_is_unstable_never_pass() -> None:
    outcome = outcome_of(FunctionSession([stuck_high, good_chip]))
    assert outcome.verdict is Verdict.UNSTABLE
    assert "mismatches per run: 2, 0, 0" in outcome.summary


def test_a_mismatch_in_a_later_run_only_is_unstable() -> None:
    outcome = outcome_of(FunctionSession([good_chip, stuck_high]), RetryPolicy(2, 2))
    assert outcome.verdict is Verdict.UNSTABLE
    assert len(outcome.attempts) == 4


def test_without_repeats_one_failing_run_is_fail_and_says_so() -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), RetryPolicy(0))
    assert outcome.verdict is Verdict.FAIL
    assert outcome.summary.endswith("2 of 4 cycles differ in the only run.")


def test_runs_that_all_match_but_answer_differently_are_unstable() -> None:
    first = FunctionSession().run(follow_pattern(), case().conditions)
    second = replace(first, signature=first.signature ^ 1)
    outcome = judge(case(), Gathered((first, second)), TODAY, outcome_of(FunctionSession()).started)
    assert outcome.verdict is Verdict.UNSTABLE


def test_match_loops_may_take_another_number_of_cycles_and_still_pass() -> None:
    first = FunctionSession().run(until_pattern(), case().conditions)
    second = replace(first, signature=first.signature ^ 1, until_used={3: 2})
    outcome = judge(
        case(until_pattern()),
        Gathered((first, second)),
        TODAY,
        outcome_of(FunctionSession()).started,
    )
    assert outcome.verdict is Verdict.PASS


def test_a_verdict_without_any_run_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one run"):
        judge(case(), Gathered(), TODAY, outcome_of(FunctionSession()).started)


def test_a_lost_link_is_error_and_keeps_what_was_seen_before() -> None:
    lost = BoardLost("port gone")
    found = examine(FunctionSession([stuck_high, lost]), case(), RetryPolicy(), TODAY)
    assert found.lost is lost
    assert found.outcome.verdict is Verdict.ERROR
    assert found.outcome.reason is Reason.LINK_LOST
    assert found.outcome.summary == (
        "Could not be tested: port gone. Before that, 1 run completed, 1 with mismatches."
    )
    assert len(found.outcome.attempts) == 1


def test_pins_that_were_found_open_are_kept_though_the_link_is_lost_while_words_are_read_back() -> (
    None
):
    session = FunctionSession([reads_low] * 4 + [BoardLost("port gone")], floating=1 << OUT1)
    found = examine(session, case(), RetryPolicy(), TODAY)
    assert (found.outcome.reason, found.outcome.floating) == (Reason.LINK_LOST, ("out1",))
    assert [len(found.complete), len(found.outcome.attempts)] == [3, 3]


class OneBurst(FunctionSession):
    """A board that is told whether a run may pause; with ``floating`` pins it refuses to try."""

    told: tuple[bool, ...] = ()

    def run(
        self, pattern: Pattern, conditions: RunConditions, *, window: Cycles = NO_CYCLES
    ) -> Capture:
        self.told += (conditions.gap_free,)
        if self.floating:
            raise TableUnfit("65 rows are too many")
        return super().run(pattern, conditions, window=window)


def gap_free_case(pattern: Pattern) -> Case:
    plain = case(pattern)
    return replace(plain, spec=replace(plain.spec, gap_free=True))


def test_a_table_that_the_board_cannot_run_as_demanded_is_an_error_of_the_table() -> None:
    session = OneBurst(floating=1 << OUT1)
    found = examine(session, gap_free_case(follow_pattern()), RetryPolicy(), TODAY)
    assert found.lost is None
    assert found.outcome.verdict is Verdict.ERROR
    assert found.outcome.reason is Reason.TABLE_UNFIT
    assert found.outcome.summary == "Could not be run: 65 rows are too many"


def test_a_table_whose_rehearsal_saw_two_drivers_fight_is_not_run() -> None:
    rows = (TableRow(1, 3, ("q[0] (pin out0)",)),)
    fights = replace(REHEARSED, contention=rows, contended_rows=4)
    session = OneBurst()
    found = examine(session, replace(case(), rehearsal=fights), RetryPolicy(), TODAY).outcome
    assert session.told == ()
    assert (found.verdict, found.reason) == (Verdict.ERROR, Reason.CONTENTION)
    assert found.summary == (
        "Could not be run: follow/all.csv, line 3: controller and chip both drive q[0] "
        "(pin out0), and in 3 more rows"
    )
    assert found.rehearsal == fights
    meant = replace(case(), rehearsal=replace(fights, intended=True))
    assert examine(session, meant, RetryPolicy(), TODAY).outcome.verdict is Verdict.PASS


def test_probes_of_a_table_that_must_not_pause_may_pause() -> None:
    quiet = follow_pattern(inputs=(0, 1, 0, 1))
    session = OneBurst()
    found = examine(session, gap_free_case(quiet), RetryPolicy(), TODAY)
    assert found.outcome.verdict is Verdict.PASS
    assert session.told == (True, False)


def test_an_outcome_says_how_often_the_clock_paused() -> None:
    class Pausing(FunctionSession):
        def _capture(
            self,
            pattern: Pattern,
            answer: Callable[[int, int], int],
            window: Cycles,
        ) -> Capture:
            return replace(super()._capture(pattern, answer, window), exact=True, gaps=3)

    outcome = outcome_of(Pausing())
    assert outcome.conditions is not None
    assert (outcome.conditions.exact, outcome.conditions.gaps) == (True, 3)


def test_a_wrong_pin_that_floats_is_the_boards_error_not_the_chips_failure() -> None:
    outcome = outcome_of(FunctionSession([reads_low], floating=1 << OUT1))
    assert outcome.verdict is Verdict.ERROR
    assert outcome.reason is Reason.PINS_OPEN
    assert outcome.summary.startswith("q[1] (pin out1) follows the weak pulls where the design")
    assert "power off" in outcome.advice
    assert outcome.mismatches == 2


def test_an_open_pin_that_reads_at_random_is_error_not_unstable() -> None:
    outcome = outcome_of(FunctionSession([reads_low, good_chip, reads_low], floating=1 << OUT1))
    assert outcome.verdict is Verdict.ERROR


def test_another_wrong_pin_beside_an_open_one_is_still_fail() -> None:
    def both(cycle: int, drive: int) -> int:
        return reads_low(cycle, drive) & ~(1 << OUT0)

    outcome = outcome_of(FunctionSession([both], floating=1 << OUT1))
    assert outcome.verdict is Verdict.FAIL
    assert outcome.summary.endswith(
        "Apart from that, q[1] (pin out1) follows the weak pulls: an open connection."
    )


def test_an_open_pin_whose_level_is_right_by_chance_is_error_not_pass() -> None:
    quiet = follow_pattern(inputs=(0, 1, 0, 1))
    session = FunctionSession(floating=1 << OUT1)
    outcome = examine(session, case(quiet), RetryPolicy(), TODAY).outcome
    assert outcome.verdict is Verdict.ERROR
    assert outcome.reason is Reason.PINS_OPEN


class OneLevel(FunctionSession):
    """A chip whose out1 drives one level only; its line reads the other one all the same."""

    level = 0

    def undriven(self, cycle: int, drive: int) -> int:
        del cycle
        return (1 << OUT1) * (drive >> 1 & 1 == self.level)


@pytest.mark.parametrize(("level", "word", "cycle"), [(0, "low (0)", 0), (1, "high (1)", 2)])
def test_a_pin_that_floats_at_one_level_and_is_driven_at_the_other_is_fail(
    level: int, word: str, cycle: int
) -> None:
    session = OneLevel()
    session.level = level
    outcome = outcome_of(session)
    assert outcome.verdict is Verdict.FAIL
    assert outcome.summary == (
        f"q[1] (pin out1) was floating where {word} was expected, first in cycle {cycle}, table "
        f"line {cycle + 2} ({['first', '', 'two'][cycle]}); 1 of 4 cycles differ, the same in 3 "
        "runs. q[1] (pin out1) was not driven in every tested cycle, but in others."
    )
    assert (outcome.floating, outcome.released, outcome.window) == (("out1",), ("out1",), None)
    assert [(c.pin, c.mismatches) for c in outcome.pin_counts] == [("out1", 1)]
    passed = outcome_of(FunctionSession())
    assert outcome.attempts[0].signature != passed.attempts[0].signature


def test_a_pin_that_floats_in_one_of_three_tests_is_unstable() -> None:
    class Once(OneLevel):
        def undriven(self, cycle: int, drive: int) -> int:
            return super().undriven(cycle, drive) if len(self.runs) == 2 else 0

    outcome = outcome_of(Once())
    assert outcome.verdict is Verdict.UNSTABLE
    assert [attempt.mismatches for attempt in outcome.attempts] == [1, 0, 0]


def test_of_runs_that_pass_only_the_first_is_tested_by_weak_pulls() -> None:
    session = FunctionSession()
    assert outcome_of(session, RetryPolicy(2, 3)).verdict is Verdict.PASS
    assert [bool(pattern.highz.any()) for pattern in session.runs] == [False, True, False, False]


def walking(rows: int) -> Pattern:
    """Row k tests pin k alone, which is to be high there."""
    mask = (np.uint32(1) << np.arange(rows, dtype=np.uint32)).astype(np.uint32)
    table = follow_pattern(inputs=(0,) * rows, repeat=(1,) * rows)
    return replace(table, enable=np.zeros(rows, np.uint32), care=mask, expect=mask)


@pytest.mark.parametrize("pins", [1, 2, 6])
@pytest.mark.parametrize("level", [0, -1])
def test_any_number_of_pins_is_probed_in_one_run(pins: int, level: int) -> None:
    """All wrong and in rows of their own (0), or all right but never seen to change (-1)."""
    session = FunctionSession([lambda _cycle, _drive: level & 0xFF])
    table = walking(pins)
    examine(session, case(table), RetryPolicy(), TODAY)
    (probe,) = [pattern for pattern in session.runs if pattern.highz.any()]
    assert [int(mask) for mask in probe.highz] == [1 << k for k in range(pins)]


def test_only_the_open_ones_of_many_wrong_pins_are_told() -> None:
    low = FunctionSession([lambda _cycle, _drive: 0], floating=0b1010)
    found = examine(low, case(walking(4)), RetryPolicy(), TODAY)
    assert found.floating == 0b1010


def test_an_open_pin_that_is_first_wrong_after_the_kept_mismatches_is_error_not_fail() -> None:
    """The board of these tests keeps eight mismatches; q[0] is first wrong in cycle 30."""

    def both_open(cycle: int, drive: int) -> int:
        return reads_low(cycle, drive) & ~((cycle == 30) << OUT0)

    table = follow_pattern(inputs=(2, 3), repeat=(30, 1))
    capture = FunctionSession([both_open]).run(table, case().conditions)
    assert all(not mismatch.wrong >> OUT0 & 1 for mismatch in capture.mismatches)
    assert capture.pin_counts[OUT0] == 1
    session = FunctionSession([both_open], floating=1 << OUT0 | 1 << OUT1)
    outcome = examine(session, case(table), RetryPolicy(), TODAY).outcome
    assert outcome.verdict is Verdict.ERROR
    assert outcome.reason is Reason.PINS_OPEN


def test_a_pin_that_should_float_and_is_driven_is_fail() -> None:
    table = follow_pattern()
    table = replace(table, highz=np.full(4, 1 << IO0, np.uint32))
    session = FunctionSession()
    outcome = examine(session, case(table), RetryPolicy(), TODAY).outcome
    assert outcome.verdict is Verdict.FAIL
    assert outcome.evidence[0].wrong[0].expected == "Z"
    assert outcome.floating == ()


def test_an_outcome_quotes_the_tables_lines_around_the_cycles_that_failed(tmp_path: Path) -> None:
    path = tmp_path / "all.csv"
    path.write_text("clk,d,q\n" + "".join(f"C,{k},{k}\n" for k in range(30)), encoding="utf-8")
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    table = replace(follow_pattern((0, 1, 2, 3) * 7, (1,) * 28), sha256=sha256, labels={})
    own = case(table)
    own = replace(own, spec=replace(own.spec, path=path))
    session = FunctionSession(
        [lambda cycle, drive: good_chip(cycle, drive) ^ (cycle in {0, 20}) << OUT0]
    )
    outcome = examine(session, own, RetryPolicy(), TODAY).outcome
    assert [cycle.line for cycle in outcome.evidence] == [2, 22]
    assert [one.line for one in outcome.source] == [1, 2, 3, 4, 20, 21, 22, 23, 24]
    assert outcome.source[0].text == "clk,d,q"
    path.write_text("clk,d,q\n", encoding="utf-8")
    assert examine(session, own, RetryPolicy(), TODAY).outcome.source == ()


def test_the_window_is_read_back_around_the_first_mismatch() -> None:
    session = FunctionSession(
        [lambda cycle, drive: good_chip(cycle, drive) ^ (cycle == 20) << OUT0]
    )
    table = follow_pattern(repeat=(1, 10, 20, 1))
    outcome = examine(session, case(table), RetryPolicy(), TODAY).outcome
    assert session.windows == [NO_CYCLES, NO_CYCLES, NO_CYCLES, NO_CYCLES, (0, 20 + 4096)]
    window = outcome.window
    assert window is not None
    assert window.cycles == tuple(range(12, 29))
    waves = {wave.pin: wave for wave in window.waves}
    assert waves["out0"].observed[7:10] == "010"
    assert set(waves["out0"].expected) == {"L"}
    assert set(waves["clk"].driven) == {"C"}
    assert window.labels[0] == "two"
    assert not any(window.labels[1:])


def test_a_window_never_starts_before_the_table() -> None:
    session = FunctionSession([stuck_high])
    examine(session, case(), RetryPolicy(), TODAY, cycles=0)
    assert session.windows == [NO_CYCLES, NO_CYCLES, NO_CYCLES, NO_CYCLES, (0, 9)]


def test_a_known_failure_is_waived_until_its_expiry() -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), waivers=(waiver(),))
    assert outcome.verdict is Verdict.WAIVED
    assert outcome.summary.startswith("Known failure, waived by Per Knot until 2026-12-31")
    assert outcome.waiver is not None
    assert outcome.waiver.ticket == "T-7"


def test_a_waiver_counts_on_its_last_day() -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), waivers=(waiver(TODAY),))
    assert outcome.verdict is Verdict.WAIVED


def test_an_expired_waiver_leaves_fail_and_says_whose_it_was() -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), waivers=(waiver(date(2026, 5, 31)),))
    assert outcome.verdict is Verdict.FAIL
    assert outcome.summary.endswith("The waiver of Per Knot expired on 2026-05-31.")


@pytest.mark.parametrize(
    ("pin", "verdict"), [("out1", Verdict.WAIVED), ("q", Verdict.WAIVED), ("out0", Verdict.FAIL)]
)
def test_a_waiver_of_a_pin_covers_that_pin_only(pin: str, verdict: Verdict) -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), waivers=(waiver(pin=pin),))
    assert outcome.verdict is verdict


def test_a_waiver_of_another_chip_does_not_count() -> None:
    outcome = outcome_of(FunctionSession([stuck_high]), waivers=(waiver(chip="PK-02"),))
    assert outcome.verdict is Verdict.FAIL


def test_a_pass_that_is_waived_stays_pass_and_remarks_on_the_waiver() -> None:
    outcome = outcome_of(FunctionSession(), waivers=(waiver(),))
    assert outcome.verdict is Verdict.PASS
    assert outcome.summary.endswith("The waiver of Per Knot (T-7) was not needed here.")


def test_a_waiver_never_covers_an_error() -> None:
    outcome = outcome_of(FunctionSession([BoardLost("gone")]), waivers=(waiver(),))
    assert outcome.verdict is Verdict.ERROR


def test_a_policy_with_no_run_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="1 or more"):
        RetryPolicy(minimum_runs=0)

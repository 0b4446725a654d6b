"""What an outcome keeps of the runs: the real agent and link, with a small chip on its pins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.board import CaptureWindow
from harness.judge import Case, RetryPolicy, examine
from harness.judge.reading import ALL_READ, Reading
from harness.records import MAX_WINDOW_TEXT, Outcome, Reason, UntilEnd, Verdict, unpacked_words
from harness.shuttle import Pin, TableSpec
from harness.table import PLANES, Names, Pattern
from tests.unit.agent.tern import (
    CLK,
    INS,
    IO,
    NRESET,
    OUTS,
    PINS,
    SHUTTLE,
    TernChip,
    TernPins,
    design,
    pattern_of,
    random_pattern,
    reference,
)
from tests.unit.board.joined_session import join
from tests.unit.judge.samples import TODAY

OUT_PINS = [pin for pin in PINS if pin.mask & OUTS]
IN_PINS = [pin for pin in PINS if pin.mask & INS]


@dataclass
class DoubtfulChip(TernChip):
    """``open`` pins have no contact; ``held`` inputs stay low, whatever drives them."""

    open: int = 0
    held: int = 0

    def cycle(self, drive: int, enable: int, pulse: int) -> tuple[int, int]:
        word, floating = super().cycle(drive & ~self.held, enable, pulse)
        return word & ~self.open, floating | self.open


def case_of(pattern: Pattern) -> Case:
    spec = TableSpec("all", Path("acc0/all.csv"), clock_hz=50_000.0, reset_cycles=2)
    return Case("A1", "T-07", "T-01", SHUTTLE, design(0), spec, pattern)


def outcome_of(chip: TernChip, pattern: Pattern, cycles: int = 4096) -> Outcome:
    session, _board = join(TernPins(chip))
    session.select(design(0))
    return examine(session, case_of(pattern), RetryPolicy(), TODAY, cycles=cycles).outcome


def adding(rows: int, **planes: int) -> Pattern:
    """Rows that add 1 and expect the sum; other planes are the same in every row."""
    columns = {name: [0] * rows for name in ("highz", "pulse", "enable", "drive", "care", "expect")}
    columns |= {"drive": [1] * rows, "enable": [INS | CLK] * rows, "pulse": [CLK] * rows}
    columns |= {"expect": [(k + 1 & 0xFF) << 8 for k in range(rows)], "care": [OUTS] * rows}
    columns |= {"repeat": [1] * rows} | {name: [word] * rows for name, word in planes.items()}
    return pattern_of(columns, [False] * rows)


def waiting(row: int, limit: int, rows: int = 20) -> Pattern:
    """The same, where a row waits until its sum is there, which it is in its first cycle."""
    table = adding(rows)
    chosen = np.arange(rows) == row
    repeat = np.where(chosen, limit, 1).astype(np.uint32)
    return replace(table, repeat=repeat, until=chosen)


@pytest.mark.parametrize("pin", OUT_PINS, ids=lambda pin: pin.name)
def test_an_open_output_is_found_floating_in_whatever_table_tests_it(pin: Pin) -> None:
    for pattern in (waiting(3, 40), adding(3), adding(200)):
        outcome = outcome_of(DoubtfulChip(open=pin.mask), pattern)
        assert (outcome.verdict, outcome.reason) == (Verdict.ERROR, Reason.PINS_OPEN)
        assert (outcome.floating, outcome.released) == ((pin.name,), ())


@pytest.mark.parametrize("pin", OUT_PINS, ids=lambda pin: pin.name)
def test_every_attempt_names_its_first_wrong_cycle_row_and_pins(pin: Pin) -> None:
    pattern = random_pattern(12, 60)
    outcome = outcome_of(TernChip(stuck=pin.mask), pattern)
    expected = reference(pattern, TernChip(total=0, stuck=pin.mask), NRESET)
    assert (outcome.verdict, outcome.floating) == (Verdict.FAIL, ())
    cycle, row, _passed, _seen, _floating, _wrong = expected.wrong[0]
    firsts = [(a.first_cycle, a.first_row, a.first_wrong) for a in outcome.attempts]
    assert firsts == [(cycle, row, (pin.name,))] * 3
    ends = [(end.row, end.line, end.cycles) for end in outcome.attempts[0].until]
    assert ends == [(row, row, used) for row, used in sorted(expected.until_used.items())]


def test_a_run_without_a_mismatch_has_no_first_wrong_cycle() -> None:
    outcome = outcome_of(TernChip(), waiting(3, 9))
    (attempt,) = outcome.attempts
    assert outcome.verdict is Verdict.PASS
    assert (attempt.first_cycle, attempt.first_row, attempt.first_wrong) == (-1, -1, ())
    assert (attempt.until, outcome.window, outcome.long_window) == ((), None, None)


def test_a_row_that_waited_in_vain_is_told_from_one_that_matched() -> None:
    table = waiting(3, 5)
    never = replace(table, expect=table.expect ^ np.where(table.until, 0x8000, 0).astype(np.uint32))
    outcome = outcome_of(TernChip(), never)
    assert outcome.attempts[0].until == (UntilEnd(3, 3, 5, matched=False),)
    wrong_before = replace(table, expect=table.expect ^ np.uint32(0x100) * (table.line == 0))
    outcome = outcome_of(TernChip(), wrong_before)
    assert outcome.attempts[0].until == (UntilEnd(3, 3, 1, matched=True),)


def test_a_pin_released_where_it_should_drive_fails_if_it_is_driven_elsewhere() -> None:
    """The chip drives ``io`` while its sum is 128 or more, and to the sum's lowest bit."""
    sums = np.arange(1, 201)
    table = replace(adding(200, care=IO), expect=np.where(sums & 1, IO, 0).astype(np.uint32))
    outcome = outcome_of(TernChip(), table)
    assert (outcome.verdict, outcome.reason) == (Verdict.FAIL, Reason.SAME_MISMATCH)
    assert (outcome.floating, outcome.released) == (("io",), ("io",))
    assert outcome.summary == (
        "io (pin io) was low (0) where high (1) was expected, first in cycle 0, table line 0; "
        "64 of 200 cycles differ, the same in 3 runs. io (pin io) was not driven in every tested "
        "cycle, but in others."
    )


def test_a_pin_released_in_every_tested_cycle_is_not_judged_by_this_table_alone() -> None:
    outcome = outcome_of(TernChip(), adding(100, care=IO, expect=IO))
    assert (outcome.verdict, outcome.reason) == (Verdict.ERROR, Reason.PINS_OPEN)
    assert (outcome.floating, outcome.released) == (("io",), ())


def test_mismatches_after_a_row_that_waited_for_an_open_pin_are_no_evidence() -> None:
    """The row ends 29 cycles late, and every later sum is wrong on other pins too."""
    table = replace(waiting(3, 30), care=np.where(np.arange(20) < 3, 0, OUTS).astype(np.uint32))
    outcome = outcome_of(DoubtfulChip(open=0x400), table)
    assert (outcome.verdict, outcome.reason) == (Verdict.ERROR, Reason.PINS_OPEN)
    assert outcome.summary.startswith("q[2] (pin out2) follows the weak pulls")
    assert (outcome.mismatches, outcome.pin_counts, outcome.evidence) == (0, (), ())
    assert [attempt.mismatches for attempt in outcome.attempts] == [17, 17, 17]


@pytest.mark.parametrize("row", [3, 70])
def test_a_pin_wrong_before_that_row_still_fails(row: int) -> None:
    """Also if the board could not keep a mismatch of it: it keeps 48, here of the open pin."""
    early = np.arange(80) < row - 2
    table = waiting(row, 30, rows=80)
    table = replace(table, care=table.care & ~np.where(early, 0x100, 0).astype(np.uint32))
    outcome = outcome_of(
        DoubtfulChip(stuck=0x100, open=0x8000),
        replace(table, expect=table.expect | np.uint32(0x8000)),
    )
    assert outcome.verdict is Verdict.FAIL
    assert {count.pin for count in outcome.pin_counts} == {"out0", "out7"}
    assert outcome.summary.endswith(
        "Apart from that, q[7] (pin out7) follows the weak pulls: an open connection."
    )


@pytest.mark.parametrize("pin", IN_PINS, ids=lambda pin: pin.name)
def test_a_driven_pin_that_reads_back_another_level_is_contention(pin: Pin) -> None:
    table = replace(adding(20), drive=np.full(20, INS, np.uint32))
    outcome = outcome_of(DoubtfulChip(held=pin.mask), table)
    assert outcome.contention == (pin.name,)
    assert outcome_of(TernChip(stuck=0x100), table).contention == ()


@pytest.mark.parametrize("cycles", [0, 20, 70, 4096])
def test_the_words_from_the_first_wrong_cycle_on_are_kept_with_what_was_expected(
    cycles: int,
) -> None:
    plain = random_pattern(13, 150)
    table = replace(plain, expect=plain.expect ^ np.uint32(0x100) * (plain.line == 30))
    outcome = outcome_of(TernChip(), table, cycles)
    expected = reference(table, TernChip(total=0), NRESET)
    window = outcome.long_window
    assert window is not None
    first = outcome.attempts[0].first_cycle
    assert window.cycle == first - 8
    words = unpacked_words(window)
    span = range(window.cycle, window.cycle + window.cycles)
    whole = {cycle: (row, seen, floating) for row, cycle, seen, floating in expected.words}
    for k, cycle in enumerate(span):
        if cycle in whole:  # the other cycles are those in which a row waited
            assert (words["row"][k], words["seen"][k], words["floating"][k]) == whole[cycle]
            assert words["care"][k] == table.care[words["row"][k]]
        else:
            assert words["care"][k] == 0
    wrong = [
        cycle
        for k, cycle in enumerate(span)
        if (words["seen"][k] ^ words["expect"][k]) & words["care"][k]
    ]
    assert wrong[0] == first
    assert (window.pins[8], window.signals[8]) == ("out0", "q[0]")
    assert (len(window.pins), window.signals[19]) == (len(PINS), "")


def test_what_is_cut_from_a_long_window_is_told() -> None:
    table = adding(300)
    wrong = replace(table, expect=table.expect ^ np.uint32(0x100) * (table.line == 100))
    whole = outcome_of(TernChip(), wrong).long_window
    assert whole is not None
    assert (whole.cycle, whole.cycles, whole.cut) == (0, 300, "")
    short = outcome_of(TernChip(), wrong, cycles=0).long_window
    assert short is not None
    assert (short.cycle, short.cycles) == (92, 17)
    assert short.cut == (
        "191 later cycles are not kept: 8 tables of the slot already have a long window in this run"
    )
    loose = outcome_of(DoubtfulChip(open=0x8000), table).long_window
    assert loose is not None
    assert (loose.cycle, loose.cycles) == (119, 17)
    assert loose.cut == (
        "164 later cycles are not kept: every wrong pin follows the weak pulls, so they show "
        "nothing"
    )
    many = replace(wrong, repeat=np.full(300, 30, np.uint32), care=wrong.care * (wrong.line == 100))
    long = outcome_of(TernChip(), many).long_window
    assert long is not None
    assert (long.cycle, long.cycles) == (2992, 4104)
    assert long.cut == (
        "1,904 later cycles are not kept: at most 4,096 are read back from the first mismatch on"
    )


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=5, deadline=None)
def test_a_long_window_takes_a_bounded_text_whatever_was_read(seed: int) -> None:
    random = np.random.default_rng(seed)
    planes = {name: random.integers(0, 1 << 32, 3000, np.uint32) for name in PLANES}
    run = Pattern.of((), **planes)
    cycle = np.arange(3000, dtype=np.uint32)
    words = CaptureWindow(cycle, cycle, planes["expect"], planes["care"])
    window = Reading(run, cycle.astype(np.int64), words, 0, 3000, ALL_READ).long(
        Names(SHUTTLE, run)
    )
    assert len(window.words) <= MAX_WINDOW_TEXT
    assert (window.cycles, window.cut) == (
        750,
        "2,250 later cycles are not kept: more do not fit in 32,768 characters",
    )
    assert unpacked_words(window)["seen"] == tuple(planes["expect"][:750].tolist())

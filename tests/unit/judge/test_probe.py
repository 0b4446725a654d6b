"""Probes: the stimulus of a run once more, to read words back or to find floating pins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from harness.judge.probe import (
    MAX_PULLED,
    Floating,
    as_run,
    contacts,
    floating_pins,
    pulled,
    up_to,
)
from harness.table import Pattern
from tests.unit.judge.samples import OUT0, OUT1, FunctionSession, Q, case, follow_pattern, words


def waiting() -> Pattern:
    """The follower's table, whose second and third row wait for their outputs."""
    table = follow_pattern(repeat=(1, 5, 9, 1))
    return replace(table, until=np.array([False, True, True, False]))


def test_a_run_is_repeated_cycle_for_cycle_and_a_row_that_waited_is_tested_where_it_ended() -> None:
    run, rows = as_run(waiting(), {1: 4, 2: 1})
    assert list(run.repeat) == [1, 3, 1, 1, 1]
    assert list(run.drive) == [0, 1, 1, 2, 3]
    assert list(run.care) == [Q, 0, Q, Q, Q]
    assert not run.until.any()
    assert list(rows) == [0, 1, 1, 2, 3]
    assert list(run.line) == [2, 3, 3, 4, 5]
    assert run.labels == {0: "first", 3: "two"}


def test_a_run_is_cut_where_no_more_is_read_back() -> None:
    table = follow_pattern(repeat=(1, 5, 3, 1))
    repeats = {stop: list(up_to(table, stop)[0].repeat) for stop in (1, 2, 6, 9, 10, 99)}
    assert repeats == {
        1: [1],
        2: [1, 1],
        6: [1, 5],
        9: [1, 5, 3],
        10: [1, 5, 3, 1],
        99: [1, 5, 3, 1],
    }
    assert [list(up_to(table, stop)[1]) for stop in (2, 99)] == [[0, 1], [0, 1, 2, 3]]


def test_all_tested_pins_are_tested_by_weak_pulls_in_every_cycle() -> None:
    probe = pulled(follow_pattern(repeat=(1, 5, 3, 1)), first=4)
    assert probe is not None
    assert list(probe.repeat) == [1, 5, 3, 1]
    assert list(probe.highz) == [Q] * 4
    assert not probe.care.any()


def test_a_table_that_tests_no_level_is_not_probed() -> None:
    table = follow_pattern()
    assert pulled(replace(table, care=np.zeros(4, np.uint32)), first=0) is None
    assert pulled(replace(table, enable=table.enable | np.uint32(Q)), first=0) is None


def test_of_a_long_table_the_cycles_around_the_first_wrong_one_are_tested_and_each_pin_once() -> (
    None
):
    table = follow_pattern(repeat=(2, 3 * MAX_PULLED, 5, 1))
    table = replace(table, care=words(1 << OUT1, 1 << OUT0, 1 << OUT0, 1 << OUT0))
    parts = {}
    for first in (7, MAX_PULLED, table.cycles - 1):
        probe = pulled(table, first)
        assert probe is not None
        parts[first] = list(zip(probe.repeat.tolist(), probe.highz.tolist(), strict=True))
    low, high, half = 1 << OUT0, 1 << OUT1, MAX_PULLED // 2
    assert parts == {
        7: [(2, high), (MAX_PULLED - 2, low)],
        MAX_PULLED: [(1, high), (1, 0), (half - 2, 0), (MAX_PULLED, low)],
        table.cycles - 1: [
            (1, high),
            (1, 0),
            (2 * MAX_PULLED + 6, 0),
            (MAX_PULLED - 6, low),
            (5, low),
            (1, low),
        ],
    }


def test_each_pin_is_asked_once_at_each_level_in_as_few_early_cycles_as_can_be() -> None:
    low, high = 1 << OUT0, 1 << OUT1
    probes = {}
    for inputs in ((0, 3, 0, 3), (1, 2, 0, 3), (3, 3, 2, 1), (0, 1, 1, 1)):
        probe = contacts(follow_pattern(inputs, repeat=(1, 5, 1, 7)))
        assert probe is not None
        assert not probe.care.any()
        probes[inputs] = list(zip(probe.repeat.tolist(), probe.highz.tolist(), strict=True))
    assert probes == {
        (0, 3, 0, 3): [(1, Q), (1, Q)],
        (1, 2, 0, 3): [(1, Q), (1, Q)],
        (3, 3, 2, 1): [(1, Q), (5, 0), (1, low), (1, high)],
        (0, 1, 1, 1): [(1, Q), (1, low)],
    }


def test_a_table_that_tests_no_level_is_not_asked() -> None:
    table = follow_pattern()
    assert contacts(replace(table, care=np.zeros(4, np.uint32))) is None
    assert contacts(replace(table, enable=table.enable | np.uint32(Q))) is None


def test_the_contact_of_a_row_that_waited_is_tested_where_it_ended() -> None:
    table = replace(waiting(), drive=words(0, 0, 2, 2), expect=words(0, 0, 0, 0))
    run, _rows = as_run(replace(table, care=words(0, Q, 0, 0)), {1: 4, 2: 1})
    probe = contacts(run)
    assert probe is not None
    assert list(probe.repeat) == [1, 3, 1]
    assert list(probe.highz) == [0, 0, Q]


def test_a_pin_floats_in_the_cycles_in_which_it_does_not_count_as_driven() -> None:
    probe = pulled(follow_pattern(repeat=(1, 2, 3, 4)), first=0)
    assert probe is not None
    capture = FunctionSession().run(probe, case().conditions)
    counted = {OUT0: 10, OUT1: 10}
    assert dict(capture.pin_counts) == counted
    for pin in (OUT0, OUT1):
        sometimes = replace(capture, pin_counts={**counted, pin: 9})
        assert floating_pins(probe, sometimes) == Floating(1 << pin, 0)
        assert floating_pins(probe, sometimes).released == 1 << pin
        never = replace(capture, pin_counts={**counted, pin: 0})
        assert floating_pins(probe, never) == Floating(1 << pin, 1 << pin)
        assert floating_pins(probe, never).released == 0

"""A point passes only if its trials show it."""

from __future__ import annotations

import random

import pytest
from scipy.stats import binomtest

from harness.margin.trials import TrialRule, Tried, try_point

RULE = TrialRule()


def tried(probability: float, seed: int = 1) -> Tried:
    chance = random.Random(seed)
    return try_point(lambda: chance.random() < probability, RULE)


def test_a_point_that_always_passes_takes_16_trials_and_one_that_never_does_4() -> None:
    assert tried(1.0) == Tried(16, 16, passing=True)
    assert tried(-1.0) == Tried(4, 0, passing=False)


def test_the_decision_agrees_with_the_wilson_interval_of_a_reference_library() -> None:
    for trials in range(4, 33):
        for passes in range(trials + 1):
            interval = binomtest(passes, trials).proportion_ci(0.95, "wilson")
            wanted = True if interval.low >= 0.8 else False if interval.high < 0.8 else None
            if trials == 32:
                wanted = bool(wanted)
            assert RULE.decided(passes, trials) is wanted


def test_a_point_that_stays_undecided_has_not_been_shown_to_pass() -> None:
    assert RULE.decided(27, 32) is False


@pytest.mark.parametrize(("probability", "passing"), [(0.99, True), (0.5, False)])
def test_clear_points_are_decided_rightly_nearly_always(probability: float, passing: bool) -> None:
    right = sum(tried(probability, seed).passing is passing for seed in range(200))
    assert right >= 190


def test_nobody_decides_after_fewer_trials_than_the_least() -> None:
    assert [RULE.decided(0, trials) for trials in (1, 2, 3)] == [None, None, None]


@pytest.mark.parametrize("given_", [(0, 4, 0.8), (5, 4, 0.8), (1, 4, 0.0), (1, 4, 1.0)])
def test_a_rule_that_makes_no_sense_is_refused(given_: tuple[int, int, float]) -> None:
    with pytest.raises(ValueError, match="trials"):
        TrialRule(*given_)


def test_a_link_fault_in_a_trial_is_nobodys_mismatch() -> None:
    def lost() -> bool:
        raise ConnectionError

    with pytest.raises(ConnectionError):
        try_point(lost, RULE)

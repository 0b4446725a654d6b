"""The step machine of an intake: scripted replies in, results out."""

from __future__ import annotations

from functools import reduce

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.intake import (
    STEPS,
    Ask,
    Over,
    Progress,
    Replied,
    Result,
    Work,
    Worked,
    advance,
    upcoming,
)

START = Progress("SP2-0001", "SP2-[0-9]{4}", 150.0)
GOOD = ("yes",) * 5 + ("42", "SP2-0001")


def after(*replies: str, start: Progress = START) -> Progress:
    return reduce(lambda state, text: advance(state, Replied(text, "now")), replies, start)


def result_of(progress: Progress, key: str) -> tuple[Result, str]:
    return next((r.result, r.text) for r in progress.results if r.key == key)


def test_good_answers_lead_to_the_work() -> None:
    at_work = after(*GOOD, "")
    ahead = upcoming(at_work)
    assert isinstance(ahead, Work)
    assert ahead.step.key == "board"
    assert {r.result for r in at_work.results} == {Result.DONE}


def test_a_skipped_step_needs_a_reason_and_keeps_it() -> None:
    asked = upcoming(after("skip", "   "))
    assert isinstance(asked, Ask)
    assert asked.complaint == "A reason is needed."
    done = after("skip", "  ", "the box was thrown away")
    assert result_of(done, "damage") == (Result.SKIPPED, "the box was thrown away")


def test_damage_ends_the_intake_before_power() -> None:
    ended = after("yes", "yes", "no", "pin 7 is bent")
    assert isinstance(upcoming(ended), Over)
    assert result_of(ended, "broken") == (Result.FAILED, "pin 7 is bent")
    assert result_of(ended, "tables") == (
        Result.NOT_REACHED,
        "the intake ended at “Nothing broken”",
    )


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("150", (Result.DONE, "150 mA of at most 150 mA")),
        ("12,5 mA", (Result.DONE, "12.5 mA of at most 150 mA")),
        ("150.1", (Result.FAILED, "150.1 mA, more than the limit of 150 mA")),
    ],
)
def test_the_supply_current_is_held_against_the_profiles_limit(
    typed: str, told: tuple[Result, str]
) -> None:
    assert result_of(after(*("yes",) * 5, typed), "current") == told


@pytest.mark.parametrize("typed", ["", "nan", "inf", "-3", "much"])
def test_a_current_that_is_no_number_is_asked_again(typed: str) -> None:
    progress = after(*("yes",) * 5, typed)
    assert progress.complaint == "Please give milliamperes as a number, such as 42."
    assert len(progress.results) == 5


def test_another_chips_serial_number_is_refused() -> None:
    progress = after(*("yes",) * 5, "42", "SP2-0002")
    assert progress.complaint.startswith("The rack file says that SP2-0001 is in this slot.")
    assert "is not a serial number" in after(*("yes",) * 5, "42", "X").complaint


def test_a_board_with_the_wrong_serial_number_ends_the_intake() -> None:
    ended = advance(after(*GOOD, ""), Worked(Result.FAILED, "the board says it is WB-09", "now"))
    assert isinstance(upcoming(ended), Over)


def test_open_pins_do_not_keep_the_tables_from_being_run() -> None:
    progress = advance(after(*GOOD, ""), Worked(Result.DONE, "WB-01", "now"))
    progress = advance(after("", start=progress), Worked(Result.FAILED, "in4 open", "now"))
    ahead = upcoming(progress)
    assert isinstance(ahead, Ask)
    assert ahead.step.key == "choice"


WORDS = st.sampled_from(["yes", "no", "skip", "", "42", "900", "SP2-0001", "stop", "why not"])


@given(st.lists(WORDS, max_size=60))
def test_no_step_is_ever_passed_without_a_result_in_its_place(replies: list[str]) -> None:
    progress = START
    for text in replies:
        progress = advance(progress, Replied(text, "now"))
        if isinstance(upcoming(progress), Work):
            progress = advance(progress, Worked(Result.DONE, "found", "now"))
        keys = [result.key for result in progress.results]
        assert keys == [step.key for step in STEPS[: len(keys)]]
        assert all(
            any(letter.isalnum() for letter in result.text)
            for result in progress.results
            if result.result is not Result.DONE
        )

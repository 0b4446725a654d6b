"""The step machine of an intake: scripted replies in, results out."""

from __future__ import annotations

from functools import reduce

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.intake import Ask, Result
from harness.intake.asking import upcoming
from harness.intake.machine import advance
from harness.intake.progress import (
    Event,
    Halted,
    Lost,
    Measured,
    Progress,
    Replied,
    Signed,
    Stage,
    TakenUp,
    Worked,
)
from harness.intake.steps import PLACES, RESEATING, STEPS, SWITCHING_OFF

START = Progress("SP2-0001", "SP2-[0-9]{4}", 150.0)
SENSING = Progress("SP2-0001", "SP2-[0-9]{4}", 150.0, sensor=True)
LOOKED = ("yes",) * 5
GOOD = (*LOOKED, "42", "SP2-0001")


def after(*events: str | Event, start: Progress = START) -> Progress:
    """What the events lead to; a text is a reply."""
    told = (Replied(event, "now") if isinstance(event, str) else event for event in events)
    return reduce(advance, told, start)


def done(text: str = "fine") -> Worked:
    return Worked(Result.DONE, text, "now")


def bad(text: str) -> Worked:
    return Worked(Result.FAILED, text, "now")


AT_PINS = after(*GOOD, "", done("WB-01"))
AT_TABLES = after("", done("26 of 26"), start=AT_PINS)


def result_of(progress: Progress, key: str) -> tuple[Result, str]:
    return next((r.result, r.text) for r in progress.results if r.key == key)


def asked(progress: Progress) -> Ask:
    ahead = upcoming(progress)
    assert isinstance(ahead, Ask)
    return ahead


def test_good_answers_lead_to_the_work() -> None:
    at_work = after(*GOOD, "")
    assert at_work.step is not None
    assert (at_work.step.key, at_work.stage, upcoming(at_work)) == ("board", Stage.WORK, None)
    assert {r.result for r in at_work.results} == {Result.DONE}


def test_a_skipped_step_needs_a_reason_and_keeps_it() -> None:
    wanted = "Please give a reason; again goes back to the question."
    for no_reason in ("   ", "skip", "No", "end", "continue"):
        assert asked(after("skip", no_reason)).complaint == wanted
    found = after("skip", "  ", "the box was thrown away")
    assert result_of(found, "damage") == (Result.SKIPPED, "the box was thrown away")


def test_a_question_says_which_step_it_is_and_how_many_there_are() -> None:
    assert asked(after()).prompt == "Step 1 of 10: Packing, board and chip arrived undamaged?"
    assert asked(after("yes", "yes")).prompt == (
        "Step 3 of 10: Nothing broken, bent, burnt or loose?"
    )


def test_the_question_for_a_reason_says_what_it_is_about() -> None:
    """It may be the first thing that a person reads after a break."""
    assert asked(after("no")).prompt == "Undamaged on arrival: what is wrong"
    assert asked(after("yes", "skip")).prompt.startswith("Chip carrier: why is it skipped")


def test_again_and_aside_work_where_a_reason_is_wanted() -> None:
    back = after("skip", "again")
    assert asked(back).step.key == "damage"
    assert result_of(after("yes", start=back), "damage") == (Result.DONE, "yes")
    assert after("yes", "no", "aside").aside


def test_damage_ends_the_intake_before_power() -> None:
    failed = after("yes", "yes", "no", "pin 7 is bent")
    assert asked(failed).hint == "end, again or aside"
    ended = after("end", start=failed)
    assert ended.step is None
    assert result_of(ended, "broken") == (Result.FAILED, "pin 7 is bent")
    why = "the intake ended at “Nothing broken”"
    assert result_of(ended, "tables") == (Result.NOT_REACHED, why)


def test_a_step_that_was_put_right_is_repeated_and_both_answers_are_kept() -> None:
    found = after("yes", "no", "tilted", "again", "yes")
    assert result_of(found, "seated") == (Result.DONE, "yes")
    assert [(r.key, r.result, r.text) for r in found.earlier] == [
        ("seated", Result.FAILED, "tilted")
    ]


def test_any_step_can_be_repeated_and_the_earlier_answer_is_kept() -> None:
    back = after("yes", "skip", "in a hurry", "again")
    assert asked(back).step.key == "seated"
    found = after("yes", start=back)
    assert result_of(found, "seated") == (Result.DONE, "yes")
    assert [r.text for r in found.earlier] == ["in a hurry"]
    assert after("again").complaint == "This is the first step."


@pytest.mark.parametrize(
    ("typed", "told"),
    [("150", "150 mA of at most 150 mA"), ("12,5 mA", "12.5 mA of at most 150 mA")],
)
def test_a_typed_current_within_the_profiles_limit_passes(typed: str, told: str) -> None:
    assert result_of(after(*LOOKED, typed), "current") == (Result.DONE, told)


@pytest.mark.parametrize("found", ["150.1", Measured(150.1, "now")])
def test_too_much_current_says_to_switch_off_and_holds_the_chip(found: str | Event) -> None:
    failed = after(*LOOKED, found, start=START)
    assert asked(failed).notes == SWITCHING_OFF
    assert SWITCHING_OFF[0].startswith("Switch the supply off now")
    ended = after("end", start=failed)
    assert ended.step is None
    result, text = result_of(ended, "current")
    assert result is Result.FAILED
    assert text.startswith("150.1 mA, more than the limit of 150 mA")


def test_a_sensor_is_read_instead_of_asking() -> None:
    reading = after(*LOOKED, start=SENSING)
    assert reading.stage is Stage.WORK
    told = result_of(after(Measured(41.96, "now"), start=reading), "current")
    assert told == (Result.DONE, "42 mA of at most 150 mA, measured by the board")


def test_again_gets_behind_a_current_that_a_sensor_reads() -> None:
    """Else the answers before it could never be corrected."""
    measured = after(*LOOKED, Measured(42.0, "now"), start=SENSING)
    assert [r.key for r in measured.results][-1] == "current"
    back = after("again", start=measured)
    assert back.step is not None
    assert back.step.key == "rails"
    assert [r.key for r in back.earlier] == ["rails", "current"]


def test_a_sensor_that_cannot_be_read_leaves_the_current_to_the_person() -> None:
    lost = after(*LOOKED, Lost("no answer", "now"), start=SENSING)
    assert asked(lost).hint == "a number, Enter to ask the sensor again, or skip"
    assert after("", start=lost).stage is Stage.WORK
    found = after("42", start=lost)
    assert result_of(found, "current") == (Result.DONE, "42 mA of at most 150 mA")
    assert [(r.result, r.text) for r in found.earlier] == [(Result.BROKEN_OFF, "no answer")]


@pytest.mark.parametrize(
    "typed", ["", "nan", "inf", "-3", "much", "1,500", "1.500", "1 500", "1_0", "1e1"]
)
def test_a_current_that_is_no_number_is_asked_again(typed: str) -> None:
    progress = after(*LOOKED, typed)
    assert progress.complaint.startswith("Please give milliamperes as a number such as 42 or 42.5")
    assert len(progress.results) == 5


def test_another_chips_serial_number_is_refused() -> None:
    progress = after(*LOOKED, "42", "SP2-0002")
    assert progress.complaint.startswith("The rack file has SP2-0001 in this slot.")
    assert "is not a serial number" in after(*LOOKED, "42", "X").complaint


def test_a_board_with_the_wrong_serial_number_can_be_changed_or_ends_the_intake() -> None:
    wrong = after(*GOOD, "", bad("the board reports WB-09"))
    assert after("end", start=wrong).step is None
    afresh = after("again", start=wrong)
    assert asked(afresh).step.key == "seated"
    assert result_texts(afresh)[-1] == "the board reports WB-09"
    assert "42 mA of at most 150 mA" in result_texts(afresh)


def result_texts(progress: Progress) -> list[str]:
    """What earlier tries came to."""
    return [found.text for found in progress.earlier]


@pytest.mark.parametrize("words", [("no", "they are dark"), ("yes", "900")])
def test_a_chip_whose_power_was_wrong_is_looked_at_again_from_its_seat(
    words: tuple[str, ...],
) -> None:
    """The chip was taken out or turned; what passed before belongs to another seating."""
    failed = after("yes", "yes", "yes", "yes", *words)
    assert asked(failed).notes == SWITCHING_OFF
    afresh = after("again", start=failed)
    assert asked(afresh).step.key == "seated"
    assert "unplugged" in asked(afresh).notes[0]
    assert afresh.seatings == 1
    assert afresh.earlier[-1].result is Result.FAILED


def test_a_bad_pin_check_is_not_repeated_until_it_passes() -> None:
    failed = after("", bad("in4 open"), start=AT_PINS)
    assert after("again", start=failed).complaint == "Please answer reseated, next, end or aside."


def test_a_failed_pin_check_offers_to_seat_the_chip_again_after_cautions() -> None:
    failed = after("", bad("in4 open"), start=AT_PINS)
    notes = asked(failed).notes
    assert notes == RESEATING
    assert notes[0].startswith("Local rules")
    assert "unplug the board before you touch the chip" in notes[1]
    again = after("reseated", "yes", "42", "", start=failed)
    assert again.stage is Stage.WORK
    passed = after(done("26 of 26 pins reach the chip"), start=again)
    told = "26 of 26 pins reach the chip; passed after reseating once"
    assert result_of(passed, "pins") == (Result.DONE, told)
    assert [(r.key, r.result, r.text) for r in passed.earlier] == [
        ("rails", Result.DONE, "yes"),
        ("current", Result.DONE, "42 mA of at most 150 mA"),
        ("pins", Result.FAILED, "in4 open"),
    ]


SEATED_AGAIN = after("", bad("in4 open"), "reseated", start=AT_PINS)


def test_a_chip_that_was_seated_again_has_its_rails_and_current_looked_at_before_its_pins() -> None:
    """A chip that sits the wrong way round draws too much; its serial number is known still."""
    assert asked(SEATED_AGAIN).step.key == "rails"
    measured = after("yes", "42", start=SEATED_AGAIN)
    assert asked(measured).step.key == "pins"
    assert result_of(measured, "serial") == (Result.DONE, "SP2-0001")
    assert result_of(measured, "board") == (Result.DONE, "WB-01")


def test_too_much_current_after_seating_again_ends_before_the_pins() -> None:
    hot = after("yes", "900", start=SEATED_AGAIN)
    assert asked(hot).notes == SWITCHING_OFF
    ended = after("end", start=hot)
    assert ended.step is None
    assert result_of(ended, "serial") == (Result.DONE, "SP2-0001")
    assert result_of(ended, "pins")[0] is Result.NOT_REACHED
    assert not ended.kept


def test_whoever_goes_back_to_the_seat_of_a_chip_begins_with_it_again() -> None:
    """Another chip may be in the socket by then."""
    back = after("again", "again", "again", start=SEATED_AGAIN)
    assert asked(back).step.key == "seated"
    found = after("yes", "yes", "yes", "yes", "42", start=back)
    assert asked(found).step.key == "serial"
    assert [r.key for r in found.earlier][-2:] == ["serial", "board"]


def test_every_time_that_the_chip_may_have_been_off_its_board_is_counted() -> None:
    assert AT_TABLES.seatings == 0
    assert after("yes", "again").seatings == 1
    assert SEATED_AGAIN.seatings == 1
    aside = after("aside", TakenUp("now"), start=AT_TABLES)
    assert after("no", start=aside).seatings == 0
    assert after("yes", start=aside).seatings == 1


def test_everybody_who_answers_is_named_once() -> None:
    ada, grace = Signed("Ada", "now"), Signed("Grace", "now")
    assert after(ada, "yes", ada, "yes", grace, "skip", ada).by == ("Ada", "Grace")


def test_how_often_a_chip_was_reseated_is_told_of_a_failure_too() -> None:
    reseated = ("reseated", "yes", "42", "")
    events = ("", bad("a"), *reseated, bad("b"), *reseated, bad("c"), "next")
    twice = after(*events, start=AT_PINS)
    assert result_of(twice, "pins") == (Result.FAILED, "c; after reseating twice")
    tries = [r.text for r in twice.earlier if r.key == "pins"]
    assert tries == ["a", "b; after reseating once"]


def test_open_pins_do_not_keep_the_tables_from_being_run() -> None:
    assert asked(after("", bad("in4 open"), "next", start=AT_PINS)).step.key == "tables"


def test_the_first_table_that_does_not_pass_is_asked_about_once() -> None:
    halted = after("", Halted("crc16/check is FAIL, 3 more to run", "now"), start=AT_TABLES)
    assert asked(halted).prompt.startswith("crc16/check is FAIL, 3 more to run. Stop here")
    assert asked(after("yes", start=halted)).complaint == "Please answer stop or continue."
    going = after("stop", start=halted)
    assert (going.choice, going.stage, going.step) == ("stop", Stage.WORK, STEPS[-1])


def test_tables_are_offered_again_only_if_some_have_no_verdict() -> None:
    whole = after("", bad("25 of 26 passed; crc16/check FAIL"), start=AT_TABLES)
    assert asked(whole).hint == "end or aside"
    assert after("again", start=whole).complaint == "Please answer end or aside."
    part = after("", Worked(Result.FAILED, "a/b ERROR", "now", left=3), start=AT_TABLES)
    assert "(3 tables; a FAIL stands)" in asked(part).prompt
    assert after("again", start=part).stage is Stage.WORK


def test_work_that_was_lost_is_kept_and_offered_anew() -> None:
    lost = after("", Lost("unplugged", "now"), start=AT_PINS)
    assert asked(lost).step.key == "pins"
    found = after("", done(), start=lost)
    assert [(r.key, r.result) for r in found.earlier] == [("pins", Result.BROKEN_OFF)]


@pytest.mark.parametrize("at", [AT_PINS, after("", start=AT_PINS), after(*LOOKED, start=SENSING)])
def test_whoever_goes_on_after_a_break_is_asked_what_happened_to_the_chip(at: Progress) -> None:
    back = after(TakenUp("later"), start=at)
    assert "Has the chip been off its board" in asked(back).prompt
    assert any("unplugged" in note for note in asked(back).notes)
    assert asked(after("no", start=back)).step == at.step


def test_a_chip_may_be_powered_from_the_question_for_its_rails_on() -> None:
    assert not after("yes", "yes", "yes").powered
    assert after("yes", "yes", "yes", "yes").powered
    assert not after("yes", "no", "tilted", "end").powered
    assert after("yes", "yes", "yes", "yes", "no", "dark", "end").powered


def test_a_chip_put_aside_goes_on_where_it_was() -> None:
    aside = after("yes", "aside")
    assert aside.aside
    assert asked(after(TakenUp("now"), start=aside)).step.key == "seated"


@pytest.mark.parametrize("left", [AT_TABLES, after("", bad("in4 open"), start=AT_PINS)])
def test_a_chip_that_was_off_its_board_is_seated_and_checked_again(left: Progress) -> None:
    back = after("aside", TakenUp("now"), start=left)
    assert "Has the chip been off its board" in asked(back).prompt
    assert asked(after("no", start=back)).prompt == asked(left).prompt
    afresh = after("yes", start=back)
    assert asked(afresh).step.key == "seated"
    assert [r.key for r in afresh.earlier][:2] == ["seated", "broken"]
    assert len(afresh.earlier) == len(left.results) - 1 + (left.failed is not None)


WORDS = st.sampled_from(
    [
        "yes",
        "no",
        "skip",
        "",
        "42",
        "900",
        "SP2-0001",
        "stop",
        "why not",
        "again",
        "aside",
        "reseated",
        "next",
        "end",
    ]
)


@given(st.lists(WORDS, max_size=80), st.booleans(), st.lists(st.booleans(), min_size=80))
def test_no_step_is_ever_passed_without_a_result_in_its_place(
    replies: list[str], sensor: bool, fine: list[bool]
) -> None:
    progress = SENSING if sensor else START
    for text, good in zip(replies, fine, strict=False):
        step, kept = progress.step, len(progress.earlier)
        if progress.aside:
            progress = after(TakenUp("now"), start=progress)
        elif step is not None and progress.stage is Stage.WORK:
            current = Measured(42.0 if good else 900.0, "now")
            found = done() if good else bad("out3 open")
            progress = after(current if step.key == "current" else found, start=progress)
        else:
            progress = after(text, start=progress)
        assert len(progress.earlier) >= kept
        keys = [result.key for result in progress.results]
        assert keys == [step.key for step in STEPS[: len(keys)]]
        assert all(
            any(letter.isalnum() for letter in result.text)
            for result in (*progress.results, *progress.earlier)
            if result.result is not Result.DONE
        )


@given(st.lists(st.tuples(WORDS, st.booleans(), st.booleans()), max_size=80), st.booleans())
def test_a_session_that_was_interrupted_anywhere_goes_on_from_its_events_alone(
    happened: list[tuple[str, bool, bool]], sensor: bool
) -> None:
    start = SENSING if sensor else START
    live = start
    events: list[Event] = []
    for text, good, leaves in happened:
        if live.step is None:
            break
        event: Event = Replied(text, "now")
        if live.aside or leaves:
            event = TakenUp("now")
        elif live.stage is Stage.WORK and live.step.key == "current":
            event = Measured(42.0, "now") if good else Lost("gone", "now")
        elif live.stage is Stage.WORK:
            event = done() if good else Halted("a/b is FAIL", "now")
        events.append(event)
        live = advance(live, event)
        if leaves and len(live.results) > PLACES["seated"]:
            assert asked(live).hint == "yes, no or aside"
    assert after(*events, start=start) == live

"""What a slot does next, decided without any port."""

from __future__ import annotations

from dataclasses import replace

from harness.judge import Case
from harness.rack.plan import (
    RECONNECTS,
    Connect,
    Finish,
    GiveUp,
    RunTable,
    SelectDesign,
    SlotState,
    next_step,
)
from tests.unit.judge.samples import case


def of_design(name: str) -> Case:
    plain = case()
    return replace(plain, design=replace(plain.design, name=name))


A1, A2, B = of_design("a"), of_design("a"), of_design("b")


def names_of_steps(state: SlotState) -> list[str]:
    """Follow the plan with a board that never fails."""
    steps: list[str] = []
    while True:
        match next_step(state):
            case Connect():
                steps.append("connect")
                state = state.after_connect()
            case SelectDesign(found):
                steps.append(f"select {found.design.name}")
                state = state.after_select(found.design.name)
            case RunTable(found):
                steps.append(f"run {found.design.name}")
                state = state.after_table()
            case _:
                return steps


def test_all_tables_of_a_design_run_after_one_selection() -> None:
    assert names_of_steps(SlotState((A1, A2, B))) == [
        "connect",
        "select a",
        "run a",
        "run a",
        "select b",
        "run b",
    ]


def test_a_slot_without_tables_touches_no_board() -> None:
    assert isinstance(next_step(SlotState(())), Finish)


def test_a_lost_link_is_opened_again_and_the_design_selected_again() -> None:
    state = SlotState((A1, A2)).after_connect().after_select("a").after_table()
    assert names_of_steps(state.after_loss("gone")) == ["connect", "select a", "run a"]


def test_a_table_that_lost_its_link_is_selected_and_run_again_once() -> None:
    state = SlotState((A1, B)).after_connect().after_select("a")
    assert state.may_run_again
    state = state.after_interruption()
    assert not state.may_run_again
    assert names_of_steps(state) == ["connect", "select a", "run a", "select b", "run b"]
    assert state.after_connect().after_table().may_run_again


def test_a_link_lost_too_often_gives_the_rest_up_with_the_reason() -> None:
    state = SlotState((A1, A2, B)).after_connect()
    for _ in range(RECONNECTS):
        state = state.after_loss("early")
        assert isinstance(next_step(state), Connect)
    step = next_step(state.after_loss("late"))
    assert isinstance(step, GiveUp)
    assert (step.reason, len(step.rest)) == ("late", 3)


def test_a_stopped_slot_gives_up_what_is_left() -> None:
    state = SlotState((A1, B)).after_connect().after_select("a").after_table().after_stop("enough")
    step = next_step(state)
    assert isinstance(step, GiveUp)
    assert [left.design.name for left in step.rest] == ["b"]


def test_a_slot_that_is_done_has_nothing_to_give_up() -> None:
    assert isinstance(next_step(SlotState((A1,)).after_table().after_stop("late")), Finish)

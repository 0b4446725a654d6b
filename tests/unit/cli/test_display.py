"""What a person sees while a rack runs."""

from __future__ import annotations

import io
from dataclasses import replace

from harness.cli.closing import print_verdicts
from harness.cli.live import LineDisplay, RowDisplay, display
from harness.cli.screen import Screen
from harness.cli.words import SYMBOLS, counts_text
from harness.rack import (
    CyclesDone,
    RackNews,
    Slot,
    SlotConnecting,
    SlotFinished,
    TableJudged,
    TableStarted,
)
from harness.records import Verdict
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

SLOTS = (Slot("A1", "virtual", "WB-01", "PK-01"), Slot("A2", "virtual", "WB-02", "PK-02"))


def written_to() -> tuple[Screen, io.StringIO]:
    text = io.StringIO()
    return Screen(file=text, width=100, highlight=False), text


def test_without_a_terminal_every_table_is_a_plain_line() -> None:
    console, text = written_to()
    outcome = failing_outcome()
    with display(console, SLOTS) as observe:
        observe(SlotConnecting("A1", "PK-01", "/dev/x", 3))
        observe(TableStarted("A1", "follow", "all", 4))
        observe(TableJudged("A1", outcome))
        observe(TableJudged("A1", replace(outcome, verdict=Verdict.PASS)))
        observe(SlotFinished("A1", ""))
        observe(SlotFinished("A2", "slot A2, port x: silent"))
    assert text.getvalue().splitlines() == [
        "A1  PK-01  connecting to the board at /dev/x",
        f"A1  PK-01  follow/all  ✗ FAIL (provisional)  {outcome.summary}",
        "A1  PK-01  follow/all  ✓ PASS",
        "A1  finished",
        "A2  cannot be used: slot A2, port x: silent",
    ]


def test_on_a_terminal_every_slot_is_a_row_with_words_and_symbols() -> None:
    board = RowDisplay(SLOTS)
    board(SlotConnecting("A1", "PK-01", "/dev/x", 3))
    board(TableJudged("A1", failing_outcome()))
    board(TableStarted("A1", "follow", "more", 4))
    console, text = written_to()
    console.print(board)
    totals, heading_line, first, second = text.getvalue().splitlines()
    assert totals.startswith("1 of 3 tables, 0:0")
    assert heading_line.split() == ["slot", "chip", "tables", "now", "so", "far"]
    assert first.split() == ["A1", "PK-01", "1/3", "follow", "/", "more", "✗", "1", "FAIL"]
    assert second.split() == ["A2", "PK-02", "0/0", "waiting"]


def test_a_long_table_says_how_far_it_is_and_how_long_it_may_take() -> None:
    moments = [0.0]
    board = RowDisplay(SLOTS, lambda: moments[-1])
    board(TableStarted("A1", "follow", "long", 8_000_000))
    shown = []
    for now, done in ((60.0, 2_000_000), (300.0, 4_000)):  # the second is of the table's next run
        moments.append(now)
        board(CyclesDone("A1", done))
        console, text = written_to()
        console.print(board)
        shown.append(text.getvalue().splitlines()[2].split("0/0")[1].strip())
    assert shown == [
        "follow / long  2,000,000 of 8,000,000 cycles, about 3:00 left",
        "follow / long  4,000 of 8,000,000 cycles",
    ]


def test_a_log_has_a_line_for_each_tenth_of_a_table_that_takes_long() -> None:
    moments = iter([0.0, *(2.5 * k for k in range(1, 101))])
    console, text = written_to()
    observe = LineDisplay(console, lambda: next(moments))
    observe(TableStarted("A1", "follow", "long", 1_000_000))
    for k in range(1, 101):
        observe(CyclesDone("A1", 10_000 * k))
    assert text.getvalue().splitlines() == [
        f"A1  follow/long  {100_000 * k:,} of 1,000,000 cycles, about {left} left"
        for k, left in enumerate(
            ("3:45", "3:20", "2:55", "2:30", "2:05", "1:40", "1:15", "0:50", "0:25"), 1
        )
    ]
    short = iter([0.0, *(0.5 * k for k in range(1, 20))])
    console, text = written_to()
    observe = LineDisplay(console, lambda: next(short))
    observe(TableStarted("A1", "follow", "short", 20))
    for k in range(1, 19):
        observe(CyclesDone("A1", k))
    assert text.getvalue() == ""


def test_news_of_the_store_stand_below_the_rows_or_in_a_line_of_their_own() -> None:
    board = RowDisplay(SLOTS)
    board(RackNews("s.sqlite: results cannot be kept at the moment"))
    console, text = written_to()
    console.print(board)
    assert text.getvalue().splitlines()[-1].strip() == (
        "s.sqlite: results cannot be kept at the moment"
    )
    console, text = written_to()
    with display(console, SLOTS) as observe:
        observe(RackNews("s.sqlite: results are kept again after 3 s"))
    assert text.getvalue() == "s.sqlite: results are kept again after 3 s\n"


def test_a_row_is_no_wider_than_the_screen_whatever_stands_in_it() -> None:
    board = RowDisplay([Slot("A1", "virtual", "WB-01", "\x1b" * 90)])
    board(TableStarted("A1", "f" + "\x07" * 90, "all", 4))
    screen, text = written_to()
    screen.print(board)
    assert all(len(line) <= screen.width for line in text.getvalue().splitlines())
    assert "\\x1b" in text.getvalue()


def test_the_totals_say_how_long_it_took_and_how_long_it_may_take() -> None:
    seconds = iter([0.0, 37.0, 3700.0])
    board = RowDisplay(SLOTS, lambda: next(seconds))
    board(SlotConnecting("A1", "PK-01", "/dev/x", 40))
    board(SlotConnecting("A2", "PK-02", "/dev/y", 40))
    for _ in range(20):
        board(TableJudged("A1", failing_outcome()))
    for expected in ("0:37 so far, about 1:51 left", "1:01:40 so far, about 3:05:00 left"):
        console, text = written_to()
        console.print(board)
        assert text.getvalue().splitlines()[0].rstrip() == f"20 of 80 tables, {expected}"


def test_slots_with_a_failure_come_first_when_the_screen_has_no_room_for_all() -> None:
    board = RowDisplay([Slot(f"A{k}", "virtual", f"WB-{k}", f"PK-{k}") for k in range(40)])
    board(TableJudged("A33", replace(failing_outcome(), slot="A33")))
    board(SlotFinished("A35", "slot A35: silent"))
    text = io.StringIO()
    screen = Screen(file=text, width=100, height=12, highlight=False)
    screen.print(board)
    lines = text.getvalue().splitlines()
    assert len(lines) == 11
    assert [line.split()[0] for line in lines[2:5]] == ["A33", "A35", "A0"]
    assert lines[-1].rstrip() == "and 32 more slots"


def test_counts_stand_worst_first_and_nothing_is_counted_that_did_not_happen() -> None:
    assert counts_text([Verdict.PASS, Verdict.FAIL, Verdict.PASS]) == "✗ 1 FAIL  ✓ 2 PASS"


def test_every_verdict_has_a_symbol_of_its_own() -> None:
    assert set(SYMBOLS) == set(Verdict)
    assert len(set(SYMBOLS.values())) == len(Verdict)


def test_a_run_in_which_no_board_had_its_turn_is_told_in_words() -> None:
    console, text = written_to()
    print_verdicts(console, replace(heading(), chips=()))
    assert text.getvalue() == "This run reached no board; nothing was tested.\n"


def test_the_closing_lines_spell_the_first_failures_out() -> None:
    outcomes = tuple(failing_outcome(f"d{k}") for k in range(5))
    record = replace(
        heading(),
        cancelled=True,
        chips=(replace(chip(), outcomes=outcomes), chip("A2", trouble="slot A2: silent")),
    )
    console, text = written_to()
    print_verdicts(console, record)
    shown = text.getvalue()
    assert "PK-01: d2/all ✗ FAIL (provisional)  q[0] (pin out0)" in shown
    assert "PK-01: 2 more in the report" in shown
    assert "slot A2: silent" in shown
    assert "The run was stopped" in shown

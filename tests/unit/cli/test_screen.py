"""What is printed: text from strangers controls no terminal, in any command."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from harness.cli import main
from harness.cli.screen import Screen, console
from harness.records import Verdict
from harness.store import Store
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

PLANTED = "a\x1b[2J\x1b]0;mine\x07\r\x9b31m\u202eb"
"""Clears the screen, names the window, goes back to the line's start, and turns what follows."""

STEERING = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def planted_store(folder: Path) -> Path:
    """A store in which something is planted in every text of a run that a stranger can choose."""
    bad = replace(
        failing_outcome(), design=PLANTED, table="t" + PLANTED, summary=PLANTED, advice=PLANTED
    )
    chips = (
        replace(chip(), chip_serial=PLANTED, board_serial=PLANTED, outcomes=(bad,)),
        chip("A2", trouble=PLANTED),
    )
    path = folder / "s.sqlite"
    with Store(path) as store:
        store.start_run(
            replace(heading(), finished=NOON, rack=PLANTED, shuttle=PLANTED, chips=chips)
        )
    return path


@pytest.mark.parametrize("command", ["report", "accept", "history"])
def test_no_command_lets_a_record_steer_the_terminal(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = planted_store(tmp_path)
    words = {"report": ["report"], "accept": ["accept", "latest"], "history": ["history"]}[command]
    main(
        [*words, "--store", str(store), *(["--out", str(tmp_path)] if command != "accept" else [])]
    )
    told = capsys.readouterr()
    assert told.out
    assert not STEERING.search(told.out + told.err)


def test_a_table_that_is_checked_steers_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "shuttle.toml").write_text(
        'name = "\\u001b[2J"\ndesigns = []\n"\\u001b]0;x\\u0007" = 1\n'
    )
    main(["check", str(tmp_path / "shuttle.toml")])
    told = capsys.readouterr()
    assert "\\x1b]0;x" in told.out + told.err
    assert not STEERING.search(told.out + told.err)


@given(st.text(max_size=60))
def test_whatever_is_printed_no_character_steers(text: str) -> None:
    screen = console()
    table = Table(box=None)
    table.add_column("x")
    table.add_row(Text(text))
    with screen.capture() as shown:
        screen.print(Text(text), soft_wrap=True)
        screen.print(table)
    assert not STEERING.search(shown.get())


def test_our_own_colours_stay() -> None:
    screen = type(console())(force_terminal=True, color_system="standard")
    with screen.capture() as shown:
        screen.print(Text(f"{Verdict.FAIL}{PLANTED}", style="red"))
    assert shown.get().startswith("\x1b[31mFAIL")
    assert not STEERING.search(re.sub("\x1b\\[[0-9;]*m", "", shown.get()))


def test_a_line_on_a_terminal_ends_between_words_and_a_word_that_is_too_long_stays_whole() -> None:
    words = "Keep the chip apart; its reports are in runs/20261129-195055-db6c/index.html today"
    text = io.StringIO()
    Screen(file=text, force_terminal=True, width=30).say(words)
    assert text.getvalue().splitlines() == [
        "Keep the chip apart; its",
        "reports are in",
        "runs/20261129-195055-db6c/index.html",
        "today",
    ]
    text = io.StringIO()
    Screen(file=text, width=30).say(words)
    assert text.getvalue() == f"{words}\n"

"""An intake over several sittings: files that change, chips that wait, boards that go away."""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

import pytest

from harness.cli import ExitCode, main
from harness.errors import StoreError
from harness.intake import MAX_WRONG_ANSWERS
from harness.records import Verdict
from harness.store import Store
from tests.system.test_intake import BAD_CHIP, DESIGNS, LOOKED, LOOSE, SLOT, terminal, tray
from tests.system.virtual import UPLOAD_BYTES

UNPLUG = f'[[slot.link_fault]]\nkind = "unplug"\nat_byte = {UPLOAD_BYTES + 4_500}\n'
"""In the middle of the pin check: until then the agent is on its way, and some 2,000 bytes more."""

WORKED = ("SP2-0001", "", "", "")
"""The serial number, then Enter at each step that works."""


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a tray of one good chip, whose current its board measures."""
    tray(tmp_path)
    one_chip(tmp_path, "supply_ma = 41.5\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def one_chip(folder: Path, *keys: str) -> None:
    path = folder / "tray.toml"
    head = path.read_text().split("[[slot]]")[0]
    path.write_text(head + SLOT.format(n=1) + "".join(keys))


def sit(monkeypatch: pytest.MonkeyPatch, *replies: str, options: tuple[str, ...] = ()) -> int:
    """A sitting without a terminal: the replies come from a file."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{reply}\n" for reply in replies)))
    return main(["intake", "tray.toml", "--by", "Ada Example", *options])


def journals(folder: Path) -> list[Path]:
    return sorted((folder / "runs" / "intake").glob("*.jsonl"))


def outcomes(folder: Path) -> list[Verdict]:
    with Store.existing(folder / "runs" / "harness.sqlite") as store:
        (chip,) = store.latest_run().chips
    return [outcome.verdict for outcome in chip.outcomes]


CHANGED = {
    "board.toml": "../board.toml",
    "tray.toml": "../tray.toml",
    "vectors/crc16/check.csv": "crc16/check.csv",
    "vectors/crc16/design.toml": "crc16/design.toml",
    "vectors/shuttle.toml": "shuttle.toml",
}
"""Files of an intake, and how they are named."""


def test_without_a_terminal_files_that_changed_are_refused_by_name(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    own_files(lab)
    assert sit(monkeypatch, "yes") == ExitCode.NOT_TESTED
    for file in CHANGED:
        with (lab / file).open("a") as stream:
            stream.write("\n# changed\n")
    capsys.readouterr()
    assert sit(monkeypatch, "yes") == ExitCode.BAD_INPUT
    told = capsys.readouterr()
    for file, name in CHANGED.items():
        assert f"{file}: error [changed-since] changed since intake" in told.err
        assert f"  {name}\n" in told.out
    assert told.err.count("or use --start-over") == len(CHANGED)
    (given_up,) = journals(lab)
    assert sit(monkeypatch, "yes", options=("--start-over",)) == ExitCode.NOT_TESTED
    assert len(journals(lab)) == 2
    assert '"kind": "end"' in given_up.read_text().splitlines()[-1]


def own_files(lab: Path) -> None:
    """Give the tray files of its own, which a test may change."""
    text = (lab / "tray.toml").read_text()
    profile = Path(text.split('profile = "')[1].split('"')[0])
    (lab / "board.toml").write_text(profile.read_text())
    (lab / "tray.toml").write_text(text.replace(str(profile), "board.toml"))


def test_a_netlist_that_cannot_be_used_is_refused_before_any_question(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    own_files(lab)
    (lab / "vectors" / "crc16" / "netlist.json").write_text("{}")
    assert sit(monkeypatch, "yes") == ExitCode.BAD_INPUT
    assert "netlist.json: error [unreadable-netlist]" in capsys.readouterr().err


def test_at_a_terminal_a_person_decides_about_files_that_changed(lab: Path) -> None:
    with terminal(lab, "--by", "Ada") as person:
        person.answer("yes")
        person.wait_for("Chip carrier seated")
    one_chip(lab, "supply_ma = 40\n")
    with terminal(lab, "--by", "Ada") as person:
        person.wait_for("These files have changed since then:")
        person.wait_for("  ../tray.toml")
        person.answer("")
        person.wait_for("[changed-since]")
        assert person.end() == ExitCode.BAD_INPUT
    with terminal(lab, "--by", "Ada") as person:
        person.answer("start over")
        person.wait_for("is given up; its answers stay in")
        person.wait_for("Packing, board and chip arrived undamaged?")


def test_a_chip_that_stays_aside_waits_for_the_next_sitting(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, "yes", "yes", "aside", "aside") == ExitCode.NOT_TESTED
    assert "SP2-0001 in slot A1 is still aside" in capsys.readouterr().out
    replies = ("yes", *LOOKED[1:5], *WORKED)
    assert sit(monkeypatch, *replies) == ExitCode.ALL_PASS
    told = capsys.readouterr().out
    assert "Undamaged on arrival: done, yes" in told
    assert "Hand-out card of SP2-0001" in told
    assert set(outcomes(lab)) == {Verdict.PASS}


@pytest.mark.parametrize(("options", "run"), [(("--on-failure", "stop"), 1), ((), 6)])
def test_what_follows_a_bad_table_can_be_said_beforehand(
    lab: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], run: int
) -> None:
    one_chip(lab, "supply_ma = 41.5\n", BAD_CHIP)
    replies = (*LOOKED[:5], *WORKED, "end")
    assert sit(monkeypatch, *replies, options=options) == ExitCode.CHIP_FAILED
    assert sum(verdict is not Verdict.NOT_RUN for verdict in outcomes(lab)) == run


def test_a_chip_that_draws_too_much_is_switched_off_and_held(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one_chip(lab, "supply_ma = 180\n")
    assert sit(monkeypatch, *LOOKED[:5], "end") == ExitCode.CHIP_FAILED
    told = capsys.readouterr().out
    assert "Supply current: failed, 180 mA, more than the limit of 150 mA, measured" in told
    assert "Switch the supply off now" in told
    assert "Hold card of SP2-0001" in told
    (card,) = (lab / "runs").glob("*/cards/*-hold.html")
    assert "180 mA, more than the limit of 150 mA" in card.read_text()


def test_a_board_unplugged_for_a_moment_is_waited_for(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one_chip(lab, "supply_ma = 41.5\n", UNPLUG, "back_after_s = 1.0\n")
    assert sit(monkeypatch, *LOOKED[:5], *WORKED) == ExitCode.ALL_PASS
    told = capsys.readouterr().out
    assert "  The link was lost (" in told
    assert "; trying for 10 s.\n" in told
    (card,) = (lab / "runs").glob("*/cards/*-handout.html")
    assert "The link was lost once, and the table was run again from its start." in card.read_text()


def test_a_board_that_stays_away_is_told_in_words_and_every_answer_is_kept(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one_chip(lab, "supply_ma = 41.5\npatience_s = 0.5\n", UNPLUG)
    gone = ("skip", "the board is gone", "skip", "the board is gone")
    assert sit(monkeypatch, *LOOKED[:5], *WORKED[:3], *gone) == ExitCode.CHIP_FAILED
    told = capsys.readouterr()
    assert "The board could not be used" in told.out
    assert "Traceback" not in told.out + told.err
    assert '"kind": "lost"' in journals(lab)[0].read_text()
    (card,) = (lab / "runs").glob("*/cards/*-hold.html")
    text = card.read_text()
    assert "Pin check: skipped, the board is gone" in text
    assert "Pin check, try 1" in text
    assert "could not be done" in text


def test_two_sittings_at_once_are_refused(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with terminal(lab, "--by", "Ada") as person:
        person.answer("yes")
        person.wait_for("Chip carrier seated")
        before = journals(lab)[0].read_bytes()
        for options in ((), ("--start-over",), ("--slot", "A1")):
            assert sit(monkeypatch, "yes", options=options) == ExitCode.NOT_TESTED
            told = capsys.readouterr().err
            assert f"slot A1 of {lab / 'tray.toml'} is in use by harness intake, process" in told
        assert [path.read_bytes() for path in journals(lab)] == [before]
        person.answer("yes")
        person.wait_for("bent, burnt or loose")


def test_answers_without_end_that_answer_nothing_end_the_sitting(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, *["perhaps"] * 1000) == ExitCode.NOT_TESTED
    told = capsys.readouterr().out
    assert told.count("Please answer yes, no or skip.") == MAX_WRONG_ANSWERS
    assert "Left. Every answer is saved" in told


def test_a_chip_that_was_left_in_the_middle_goes_on_when_somebody_says_that_it_stayed(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, *LOOKED[:5], *WORKED[:3]) == ExitCode.NOT_TESTED
    assert "unplug it before you touch the chip" in capsys.readouterr().out
    assert sit(monkeypatch, "no", "") == ExitCode.ALL_PASS
    told = capsys.readouterr().out
    assert (
        "Has the chip been off its board, or its supply off, since then [yes, no or aside]" in told
    )
    assert "Switch off and unplug the board before you take SP2-0001 out." in told


def test_a_chip_that_was_seated_again_sits_well_at_the_next_sitting_too(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one_chip(lab, "supply_ma = 41.5\n", LOOSE.format(pin="in4"))
    replies = (*LOOKED[:5], *WORKED[:3], "reseated", "yes", "")
    assert sit(monkeypatch, *replies) == ExitCode.NOT_TESTED
    told = capsys.readouterr().out
    assert "26 of 26 pins reach the chip; passed after reseating once" in told
    assert "link was lost" not in told
    assert sit(monkeypatch, "no", "") == ExitCode.ALL_PASS


def test_an_intake_that_was_started_over_resumes_by_the_command_without_the_option(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, "yes", options=("--start-over",)) == ExitCode.NOT_TESTED
    assert "The same command without --start-over continues from here." in capsys.readouterr().out
    with terminal(lab, "--start-over", "--by", "Ada") as person:
        person.wait_for("is unfinished. Give it up and start over")
        person.answer("")
        assert person.end() == ExitCode.NOT_TESTED
    assert len(journals(lab)) == 1


def test_an_intake_of_other_slots_that_has_answers_for_a_chip_is_named(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, "yes") == ExitCode.NOT_TESTED
    (first,) = journals(lab)
    both = ("--slot", "A1", "--slot", "A1")
    assert sit(monkeypatch, "yes", options=both) == ExitCode.NOT_TESTED
    told = capsys.readouterr().out
    assert f"Warning: intake {first.stem} by Ada Example" in told
    assert sit(monkeypatch, options=("--slot", "A1")) == ExitCode.NOT_TESTED
    (second,) = set(journals(lab)) - {first}
    assert f"Resuming intake {second.stem}" in capsys.readouterr().out


def test_another_store_than_it_began_with_is_refused_before_any_question(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sit(monkeypatch, "yes") == ExitCode.NOT_TESTED
    capsys.readouterr()
    options = ("--store", "other.sqlite")
    assert sit(monkeypatch, "yes", options=options) == ExitCode.NOT_TESTED
    told = capsys.readouterr()
    assert "is not in this store; give the --store that it began with" in told.err
    assert "Chip 1 of 1" not in told.out
    assert sit(monkeypatch, "yes", options=(*options, "--start-over")) == ExitCode.NOT_TESTED
    assert "is given up" in capsys.readouterr().out


def test_a_card_stays_the_same_if_the_intake_broke_off_at_its_very_end(
    lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert sit(monkeypatch, *LOOKED[:5], *WORKED) == ExitCode.ALL_PASS
    (journal,) = journals(lab)
    lines = journal.read_bytes().splitlines(keepends=True)
    assert b'"end"' in lines[-1]
    journal.write_bytes(b"".join(lines[:-1]))
    before = cards(lab)
    assert sit(monkeypatch) == ExitCode.ALL_PASS
    assert cards(lab) == before


def test_an_intake_whose_answers_cannot_be_kept_begins_no_run(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (lab / "file").write_text("in the way")
    options = ("--out", "file")
    assert sit(monkeypatch, "yes", options=options) == ExitCode.BAD_INPUT
    assert capsys.readouterr().err == (
        "harness: file/intake: error [file-unreadable] a file is where a folder should be; "
        "check the path\n"
    )
    with (
        Store.existing(lab / "runs" / "harness.sqlite") as store,
        pytest.raises(StoreError, match="no run is kept here yet"),
    ):
        store.latest_run()


def test_a_file_that_is_no_journal_of_this_version_is_named_and_left_alone(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    old = lab / "runs" / "intake" / "2020.jsonl"
    old.parent.mkdir(parents=True)
    old.write_text('{"format": "harness-intake", "version": 1}\n')
    assert sit(monkeypatch, "yes") == ExitCode.NOT_TESTED
    assert "2020.jsonl is not an intake journal of this version" in capsys.readouterr().out
    assert old.read_text() == '{"format": "harness-intake", "version": 1}\n'


def test_a_held_chip_counts_before_one_that_is_still_aside(
    lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (lab / "tray.toml").open("a") as stream:
        stream.write(SLOT.format(n=2))
    replies = ("no", "the box is crushed", "end", "aside", "aside")
    assert sit(monkeypatch, *replies) == ExitCode.CHIP_FAILED
    before = cards(lab)
    time.sleep(1.1)
    assert sit(monkeypatch, "no", "crushed as well", "end") == ExitCode.CHIP_FAILED
    assert {name: data for name, data in cards(lab).items() if name in before} == before


def cards(lab: Path) -> dict[str, bytes]:
    """Cards, labels and reports by their names."""
    return {path.name: path.read_bytes() for path in (lab / "runs").glob("*/cards/*.html")}


def test_a_chip_that_was_off_its_board_has_all_its_tables_run_again(
    lab: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one_chip(lab, "supply_ma = 41.5\n", BAD_CHIP)
    assert sit(monkeypatch, *LOOKED[:5], *WORKED, "aside", "aside") == ExitCode.NOT_TESTED
    assert capsys.readouterr().out.count(": PASS") == len(DESIGNS) - 1
    replies = ("yes", *LOOKED[1:5], *WORKED, "end")
    assert sit(monkeypatch, *replies) == ExitCode.CHIP_FAILED
    told = capsys.readouterr().out
    assert (told.count(": PASS"), told.count(": FAIL")) == (len(DESIGNS) - 1, 0)
    assert outcomes(lab).count(Verdict.FAIL) == 1

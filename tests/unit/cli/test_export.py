"""``harness export``: what it writes and prints, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from tests.stil import read_stil
from tests.unit.shuttle.bench import write_files

Screen = pytest.CaptureFixture[str]
TABLE = b"clk,q,repeat\nC,1,\nC,2,3\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_files(tmp_path, table=TABLE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("table", ["count/main", "count/main.csv", "./count/main.csv"])
def test_a_table_is_named_by_its_design_or_its_file(
    folder: Path, table: str, capsys: Screen
) -> None:
    assert main(["export", table, "--format", "stil", "-o", "t.stil"]) == 0
    assert capsys.readouterr().out == "t.stil: 2 rows, 6 cycles with the reset\n"
    assert len(read_stil((folder / "t.stil").read_text("ascii")).rows) == 3


def test_the_pins_of_a_jedec_file_are_printed_with_their_numbers(
    folder: Path, capsys: Screen
) -> None:
    there = folder / "elsewhere"
    there.mkdir()
    arguments = ["--format", "jesd3", "-o", "t.jed", "--shuttle", str(folder)]
    assert main(["export", "count/main", *arguments]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[:2] == ["d      pin 4, 3, 2, 1", "en     pin 5"]
    assert lines[-1] == "t.jed: 2 rows, 6 cycles with the reset"
    assert (folder / "t.jed").read_bytes().count(b"\nV") == 6


REFUSED = {
    "no such table": (
        ["count/mian"],
        'count/design.toml: error [unknown-table] no table "mian"; did you mean "main"?',
    ),
    "no such design": (
        ["cont/main"],
        (
            'shuttle.toml: error [unknown-design] no design "cont": cont/design.toml not found; '
            'did you mean "count"?'
        ),
    ),
    "a bad list of pins": (
        ["count/main", "--map", "clk"],
        "count: error [bad-pin-number] --map clk: no pin numbers; write it as in clk=1 or d=5..2",
    ),
}


@pytest.mark.parametrize(("arguments", "message"), REFUSED.values(), ids=REFUSED)
def test_wrong_usage_is_told_and_writes_nothing(
    folder: Path, arguments: list[str], message: str, capsys: Screen
) -> None:
    assert main(["export", *arguments, "--format", "jesd3", "-o", "t.jed"]) == 2
    first = capsys.readouterr().err.splitlines()[0].removeprefix("harness: ")
    assert first.replace(f"{folder}/", "") == message
    assert not (folder / "t.jed").exists()


def test_a_file_that_cannot_be_written_is_told(folder: Path, capsys: Screen) -> None:
    assert main(["export", "count/main", "--format", "stil", "-o", "shuttle.toml/t.stil"]) == 2
    assert capsys.readouterr().err == (
        "harness: shuttle.toml/t.stil: error [file-unwritable] the file cannot be written: File "
        "exists; check the folder, its permissions and the disk\n"
    )

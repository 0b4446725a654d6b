"""``harness import`` of a dump: the map is confirmed, and the exit code says how it went."""

from __future__ import annotations

import os
import re
import shutil
import sys
from pathlib import Path

import pytest

from harness.cli import main
from tests.system.test_guide import README, agrees, calls
from tests.unit.convert.imports import design_folder

Screen = pytest.CaptureFixture[str]
DUMPS = Path(__file__).parents[1] / "convert" / "dumps"
DUMP = DUMPS / "icarus_other.vcd"
MAP = [
    "scope bench of icarus_other.vcd",
    "d       in3..in0        bench.d[3:0]",
    "load_n  in4             bench.load_n",
    "enp     in5             bench.enp",
    "ent     in6             bench.ent",
    "clk     clk             bench.clk",
    "clr_n   nreset          bench.clr_n",
    "q       out3..out0      bench.q[3:0]",
    "rco     out4            bench.rco",
]
UNCONFIRMED = "harness: the map needs to be confirmed; add --yes, or --map to change it\n"


@pytest.fixture
def design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return design_folder("ctr163", tmp_path.resolve())


def importing(design: Path, *options: str, dump: Path = DUMP) -> int:
    return main(["import", str(dump), "--design", str(design), "--table", "seen", *options])


def test_a_table_that_agrees_with_the_netlist_ends_with_0(design: Path, capsys: Screen) -> None:
    assert importing(design, "--yes") == 0
    rows = len([x for x in (design / "seen.csv").read_text().splitlines() if x[0] != "#"]) - 1
    assert capsys.readouterr().out.splitlines() == [
        *MAP,
        f"{design}/seen.csv: {rows} rows",
        "replayed on the netlist: every row agrees",
        f"Next: harness grade ctr163 --shuttle {design.parent}",
    ]


def test_a_table_that_disagrees_ends_with_1_and_says_where(design: Path, capsys: Screen) -> None:
    assert importing(design, "--yes", "--edge", "falling") == 1
    out = capsys.readouterr().out
    assert "replayed on the netlist: it disagrees\n  q[0] (pin out0): " in out
    assert out.endswith("  every row agrees with --edge rising or --sample levels\n")


def test_without_a_netlist_it_is_not_replayed_and_ends_with_0(design: Path, capsys: Screen) -> None:
    (design / "netlist.json").unlink()  # design.toml names it, as `harness new` writes it
    assert importing(design, "--yes") == 0
    assert capsys.readouterr().out.splitlines()[-2:] == [
        (
            "not replayed: the design has no netlist; make it with `harness netlist ctr163` (needs "
            "pip install 'harness[synthesis]')"
        ),
        f"Next: harness netlist ctr163 --shuttle {design.parent}",
    ]


def test_a_netlist_that_cannot_be_used_ends_with_3(design: Path, capsys: Screen) -> None:
    (design / "netlist.json").write_text("{}")
    assert importing(design, "--yes") == 3
    assert "\nnot replayed: " in capsys.readouterr().out


def test_bad_input_ends_with_2_and_writes_nothing(design: Path, capsys: Screen) -> None:
    damaged = design / "d.vcd"
    damaged.write_text(DUMP.read_text()[:-4])
    assert importing(design, "--yes", dump=damaged) == 2
    assert capsys.readouterr().err.startswith(f"harness: {damaged}:")
    assert importing(design, "--yes", dump=design / "none.vcd") == 2
    assert not (design / "seen.csv").exists()


def test_a_table_is_replaced_only_if_asked(design: Path, capsys: Screen) -> None:
    assert importing(design, "--yes") == 0
    assert importing(design, "--yes") == 2
    assert "already" in capsys.readouterr().err
    assert importing(design, "--yes", "--replace") == 0


@pytest.mark.parametrize(
    ("options", "kept"),
    [((), ["reset_cycles = 2"]), (("--map", "clr_n=1"), [])],
    ids=["with a reset in the dump", "without one"],
)
def test_of_a_replaced_table_nothing_is_kept_that_its_old_rows_needed(
    options: tuple[str, ...], kept: list[str], tmp_path: Path
) -> None:
    design = design_folder("ctr163", tmp_path.resolve(), netlist=False)
    settings, own = design / "design.toml", ["clock_hz = 50_000", "intake = true"]
    gone = ["reset_cycles = 7", 'unconfirmed = "observed on SP2-0007"']
    (design / "seen.csv").write_text("q\nLLLL\n", "utf-8")
    with settings.open("a", encoding="utf-8") as file:
        file.write("\n".join(["", "[tables.seen]", 'file = "seen.csv"', *own, *gone, ""]))
    importing(design, "--yes", "--replace", *options)
    lines = settings.read_text("utf-8").partition("[tables.seen]\n")[2].splitlines()
    assert lines == ['file = "seen.csv"', *own, *kept]


def test_without_a_terminal_and_without_yes_nothing_is_written(
    design: Path, capsys: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, theirs = os.pipe()
    os.close(theirs)
    with os.fdopen(ours) as nobody:
        monkeypatch.setattr(sys, "stdin", nobody)
        assert importing(design) == 2
    shown = capsys.readouterr()
    assert shown.out.splitlines() == MAP
    assert shown.err == UNCONFIRMED
    assert not (design / "seen.csv").exists()


@pytest.mark.parametrize(("answer", "code"), [(b"y\n", 0), (b"\n", 0), (b"n\n", 2), (b"\x04", 3)])
def test_a_person_at_a_terminal_is_asked(
    answer: bytes, code: int, design: Path, capsys: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, theirs = os.openpty()
    os.write(ours, answer)
    with os.fdopen(theirs) as person:
        monkeypatch.setattr(sys, "stdin", person)
        assert importing(design) == code
    os.close(ours)
    assert "\nMake the table [Y/n]: " in capsys.readouterr().out
    assert (design / "seen.csv").exists() == (code == 0)


def test_the_command_of_the_reference_prints_what_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Screen
) -> None:
    text = README.read_text("utf-8").partition("\n## From a waveform\n")[2].partition("\n## ")[0]
    (block,) = re.findall(r"(?ms)^```\n(\$ harness.*?)^```", text)
    (((_, *words), shown),) = calls(block)
    (tmp_path / "vectors").mkdir()
    design_folder("ctr163", tmp_path / "vectors")
    shutil.copy(DUMP, tmp_path / "counter.vcd")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    assert main(words) == 0
    assert agrees(capsys.readouterr().out.splitlines(), shown)

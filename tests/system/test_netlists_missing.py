"""Designs without a netlist that a virtual board can use, by the command line.

A design without a netlist holds nobody up; a netlist that cannot be used is a file to be corrected.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.cli import main
from harness.records import Outcome, Reason
from harness_reports import parse_run_json
from tests.unit.netlist.plain import Cell, document

ROOT = Path(__file__).resolve().parents[2]
DESIGNS = ("bcd7seg", "crc16", "lfsr")
BROKEN = '{"creator": "x", "modules": {"crc16": {"ports": 5}}}'
INPUTS = ("din", "en", "start", "hi", "clk", "rst_n")
Screen = pytest.CaptureFixture[str]


@dataclass(frozen=True)
class Bench:
    """Three designs of the demo, its board profile, and a rack of one virtual slot."""

    folder: Path

    @property
    def netlist(self) -> Path:
        return self.folder / "vectors/crc16/netlist.json"

    @property
    def rack(self) -> Path:
        return self.folder / "rack.toml"

    def without_netlist(self, design: str = "crc16") -> None:
        path = self.folder / f"vectors/{design}/design.toml"
        text = path.read_text("utf-8")
        path.write_text(text.replace('netlist = "netlist.json"\n', ""), "utf-8")

    def run(self, command: str, *options: str) -> int:
        kept = ("--store", str(self.folder / "results.sqlite"), "--out", str(self.folder / "out"))
        return main([command, str(self.rack), *kept, *options])

    def outcomes(self) -> dict[str, Outcome]:
        """Every outcome of the run, by its design and table."""
        (path,) = (self.folder / "out").glob("*/run.json")
        (chip,) = parse_run_json(path.read_bytes()).chips
        return {f"{outcome.design}/{outcome.table}": outcome for outcome in chip.outcomes}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    text = (ROOT / "vectors/shuttle.toml").read_text("utf-8")
    (tmp_path / "vectors").mkdir()
    names = ", ".join(f'"{name}"' for name in DESIGNS)
    text = re.sub(r"designs = \[.*?\]", f"designs = [{names}]", text, flags=re.DOTALL)
    text = re.sub(r"(?m)^pin_check = .*\n", "", text)
    (tmp_path / "vectors/shuttle.toml").write_text(text, "utf-8")
    for name in DESIGNS:
        shutil.copytree(ROOT / "vectors" / name, tmp_path / "vectors" / name)
    shutil.copy(ROOT / "ci/wader.toml", tmp_path / "wader.toml")
    (tmp_path / "rack.toml").write_text(
        'shuttle = "vectors/shuttle.toml"\nprofile = "wader.toml"\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n',
        "utf-8",
    )
    return Bench(tmp_path)


def test_a_design_without_a_netlist_is_not_tested_and_holds_nobody_up(
    bench: Bench, capfd: Screen
) -> None:
    bench.without_netlist()
    assert main(["check", str(bench.folder)]) == 0
    assert bench.run("run") == 3
    told = capfd.readouterr()
    assert "Traceback" not in told.err
    found = bench.outcomes()
    assert {name: outcome.verdict.value for name, outcome in found.items()} == {
        "bcd7seg/function": "PASS",
        "crc16/check": "ERROR",
        "crc16/stream": "ERROR",
        "lfsr/period": "PASS",
        "lfsr/shifts": "PASS",
        "lfsr/states": "PASS",
    }
    check = found["crc16/check"]
    assert check.reason is Reason.NO_MODEL
    assert check.summary == (
        "Could not be run: a virtual chip has no model of this design; crc16 has no netlist"
    )
    assert check.advice == (
        'This says nothing about the chip. Run the table on a real board, or write netlist = "'
        'netlist.json" in design.toml and make it with `harness netlist DESIGN` (needs pip install '
        "'harness[synthesis]')."
    )


def test_a_margin_of_a_design_without_a_netlist_is_not_searched(
    bench: Bench, capfd: Screen
) -> None:
    bench.without_netlist()
    assert bench.run("margin", "--designs", "crc16") == 3
    told = capfd.readouterr()
    assert "a virtual chip has no model of this design; crc16 has no netlist" in told.out
    assert "Traceback" not in told.err


def test_a_design_that_never_settles_holds_nobody_up(bench: Bench, capfd: Screen) -> None:
    """A latch behind an inverter of its own output, open while there is no reset."""
    inputs = {name: ("input", [place]) for place, name in enumerate(INPUTS, start=20)}
    outputs = {"crc": ("output", [2] * 8), "zero": ("output", [2])}
    cells: list[Cell] = [("$_DLATCH_P_", {"E": 25, "D": 3, "Q": 2}), ("$_NOT_", {"A": 2, "Y": 3})]
    text = document({**inputs, **outputs}, cells).replace('"top"', '"crc16"')
    bench.netlist.write_text(text, "utf-8")
    assert bench.run("run") == 3
    assert "Traceback" not in capfd.readouterr().err
    found = bench.outcomes()
    verdicts = [outcome.verdict.value for outcome in found.values()]
    assert verdicts == ["PASS", "ERROR", "ERROR", "PASS", "PASS", "PASS"]
    assert found["crc16/check"].summary.startswith(
        "Could not be run: the model of the chip cannot be evaluated: design crc16: net "
    )


@pytest.mark.parametrize(
    ("command", "options"),
    [("run", ()), ("run", ("--designs", "lfsr,crc16")), ("nightly", ()), ("margin", ())],
)
def test_a_netlist_that_cannot_be_used_is_refused_before_anything_runs(
    bench: Bench, capfd: Screen, command: str, options: tuple[str, ...]
) -> None:
    bench.netlist.write_text(BROKEN)
    table = bench.folder / "vectors/lfsr/period.csv"
    table.write_text("clk,q\n", "utf-8")
    lines = (
        (
            f"{bench.netlist}: error [unreadable-netlist] not the JSON of a Yosys netlist: "
            "AttributeError 'int' object has no attribute 'items'; make it with "
            "`harness netlist crc16` (needs pip install 'harness[synthesis]')\n"
        ),
        f"{table}",
    )
    assert bench.run(command, *options) == 2
    told = capfd.readouterr()
    assert all(line in told.err for line in lines)
    assert "Traceback" not in told.err
    assert not list((bench.folder / "out").glob("*/run.json"))


def test_designs_that_are_not_to_run_may_have_any_netlist(bench: Bench, capfd: Screen) -> None:
    bench.netlist.write_text(BROKEN)
    assert bench.run("run", "--designs", "lfsr") == 0
    assert "Traceback" not in capfd.readouterr().err


def test_a_real_slot_needs_no_netlist(bench: Bench, capfd: Screen) -> None:
    bench.netlist.write_text(BROKEN)
    text = bench.rack.read_text("utf-8").replace('"virtual"', '"/dev/none"')
    text += "patience_s = 0\n"
    bench.rack.write_text(text, "utf-8")
    assert bench.run("run", "--designs", "crc16") == 3
    assert "netlist" not in capfd.readouterr().err


@pytest.mark.parametrize("name", ["vectors/crc16", "vectors", "rack.toml", "."])
def test_check_finds_a_broken_netlist_once_from_wherever_it_begins(
    bench: Bench, capfd: Screen, name: str
) -> None:
    bench.netlist.write_text(BROKEN)
    assert main(["check", str(bench.folder / name)]) == 2
    told = capfd.readouterr().out
    assert told.count("[unreadable-netlist]") == 1
    assert told.count("[stale-grade]") == 1, "its grade is of another netlist"
    assert told.endswith("\n1 error, 1 warning\n")


def test_check_of_a_rack_file_finds_a_broken_table(bench: Bench, capfd: Screen) -> None:
    table = bench.folder / "vectors/crc16/check.csv"
    table.write_text(table.read_text("utf-8") + "1,1\n", "utf-8")
    assert main(["check", str(bench.rack), str(bench.folder)]) == 2
    told = capfd.readouterr().out
    assert "check.csv" in told
    assert told.endswith("\n1 error, 0 warnings\n")


def test_a_replay_without_a_netlist_names_no_folder_that_is_gone(
    bench: Bench, capfd: Screen, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.without_netlist()
    monkeypatch.chdir(bench.folder)
    assert bench.run("run", "--designs", "crc16") == 3
    (folder,) = (path.parent for path in (bench.folder / "out").glob("*/run.json"))
    kept = ("--store", str(bench.folder / "results.sqlite"))
    zipped = bench.folder / "b.zip"
    assert main(["bundle", folder.name, "--chip", "SP2-0001", *kept, "--out", str(zipped)]) == 0
    capfd.readouterr()
    assert main(["replay", str(zipped)]) in {0, 1, 3}
    told = capfd.readouterr()
    assert "no model of this design; crc16 has no netlist" in told.out
    assert "harness-replay-" not in told.out + told.err
    assert "Traceback" not in told.err

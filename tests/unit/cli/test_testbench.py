"""``harness testbench``: what it writes and says, and that its own commands run it."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from harness.cli import main
from tests.published import icarus
from tests.unit.cli.test_rehearse import vectors  # noqa: F401 - a fixture

ROOT = Path(__file__).parents[3]
SAID = """\
Wrote out/ram16x4_bus_tb.v
Wrote out/ram16x4_bus_tb.txt

Run it in that folder:

    cd out

With Icarus Verilog:

    iverilog -g2005 -s ram16x4_bus_tb -o ram16x4_bus_tb.vvp -I../vectors/ram16x4 \
ram16x4_bus_tb.v ../vectors/ram16x4/ram16x4.v
    vvp -n ram16x4_bus_tb.vvp

With Verilator:

    verilator --binary +1364-2005ext+v -Wno-fatal --output-split 0 \
--top-module ram16x4_bus_tb --Mdir ram16x4_bus_tb.obj -o ram16x4_bus_tb -I../vectors/ram16x4 \
ram16x4_bus_tb.v ../vectors/ram16x4/ram16x4.v
    ram16x4_bus_tb.obj/ram16x4_bus_tb
"""
HEAD = "clk,a,we,oe_n,dq,repeat\n"
WRITES = "C,0x0,1,1,0101,\nC,0x1,1,1,1001,\n"
"""0101 at address 0, 1001 at address 1."""


@pytest.fixture
def place(vectors: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:  # noqa: F811
    """The current folder, with the shuttle ``vectors`` in it."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def exported(place: Path, rows: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Write the table and export it; what the command says."""
    (place / "vectors/ram16x4/bus.csv").write_text(HEAD + rows, "utf-8")
    assert main(["testbench", "vectors/ram16x4/bus.csv", "-o", "out"]) == 0
    return capsys.readouterr().out


def simulated(said: str) -> tuple[int, list[str]]:
    """Run the printed commands for Icarus Verilog: exit code and output without its own words."""
    lines = [line.strip() for line in said.splitlines()]
    start = lines.index("With Icarus Verilog:")
    steps = " && ".join([lines[start - 2], *lines[start + 2 : start + 4]])
    done = subprocess.run(["sh", "-c", steps], capture_output=True, text=True, check=False)
    shown = (done.stdout + done.stderr).splitlines()
    return done.returncode, [line for line in shown if "FATAL" not in line and "Time:" not in line]


def test_it_says_how_to_run_it(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert exported(place, WRITES + "0,0x0,0,0,LHLH,\n", capsys) == SAID


def test_the_guide_shows_what_it_says(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    guide = (ROOT / "vectors" / "README.md").read_text("utf-8")
    (words, shown) = re.findall(r"(?ms)^```\n\$ harness (testbench .*?)\n(.*?)…\n```", guide)[0]
    assert main(words.split()) == 0
    assert capsys.readouterr().out.startswith(shown)


needs_icarus = pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING)


@needs_icarus
def test_a_table_passes(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = WRITES + "0,0x0,0,0,LHLH,\n0,0x1,0,0,HLLH,3\n0,0x0,0,1,ZZZZ,\n0,0x0,0,1,FNXL,\n"
    assert simulated(exported(place, rows, capsys)) == (0, ["PASS: 8 cycles"])


@needs_icarus
def test_wrong_pins_are_named_with_cycle_and_line(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = WRITES + "0,0x0,0,0,LHLL,2\n0,0x0,0,1,ZLLL,\n0,0x0,0,0,ZXXX,\n0,0x2,0,0,LXXX,\n"
    assert simulated(exported(place, rows, capsys)) == (
        1,
        [
            "FAIL cycle 2, table line 4: dq[0] (pin io0) expected L, observed 1",
            "FAIL cycle 3, table line 4: dq[0] (pin io0) expected L, observed 1",
            "FAIL cycle 5, table line 6: dq[3] (pin io3) expected Z, observed 0",
            "FAIL cycle 6, table line 7: dq[3] (pin io3) expected L, observed X",
            "FAIL: 4 of 7 cycles",
        ],
    )


@needs_icarus
def test_a_row_that_waits_for_its_outputs_takes_as_many_cycles_as_they_need(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    waits = "0,0x0,0,0,LHLH,until 5\n0,0x0,0,0,HHHH,until 3\n0,0x1,0,0,LLLL,\n"
    code, shown = simulated(exported(place, WRITES + waits, capsys))
    assert (code, shown[0], shown[2], shown[-1]) == (
        1,
        "FAIL cycle 5, table line 5: dq[1] (pin io1) expected H, observed 0",
        "FAIL cycle 6, table line 6: dq[0] (pin io0) expected L, observed 1",
        "FAIL: 2 of 7 cycles",
    )


@needs_icarus
@pytest.mark.parametrize(("kept", "read"), [(None, 0), (-1, 2)])
def test_without_all_of_its_data_it_fails(
    place: Path, capsys: pytest.CaptureFixture[str], kept: int | None, read: int
) -> None:
    said = exported(place, WRITES + "0,0x0,0,0,LHLH,\n", capsys)
    data = place / "out/ram16x4_bus_tb.txt"
    if kept is None:
        data.unlink()
    else:
        data.write_text("".join(data.read_text().splitlines(keepends=True)[:kept]))
    assert simulated(said) == (1, [f"FAIL: ram16x4_bus_tb.txt has {read} rows of 3"])


@needs_icarus
def test_ports_may_have_names_that_are_words_of_systemverilog(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = place / "vectors/ram16x4"
    for name in ("design.toml", "ram16x4.v"):
        text = (folder / name).read_text("utf-8")
        (folder / name).write_text(text.replace("we", "do").replace("netlist =", "#"), "utf-8")
    (folder / "bus.csv").write_text("clk,a,do,oe_n,dq\nC,0x0,1,1,0101\n0,0x0,0,0,LHLH\n", "utf-8")
    assert main(["testbench", "vectors/ram16x4/bus.csv", "-o", "out"]) == 0
    assert simulated(capsys.readouterr().out) == (0, ["PASS: 2 cycles"])


def test_a_design_without_a_source_has_no_testbench(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = place / "vectors/ram16x4/design.toml"
    settings.write_text(
        settings.read_text("utf-8").replace('verilog = ["ram16x4.v"]\n', ""), "utf-8"
    )
    assert main(["testbench", "vectors/ram16x4/bus.csv"]) == 2
    assert capsys.readouterr().err.replace(f"{place}/", "") == (
        "harness: vectors/ram16x4/design.toml: error [no-verilog] ram16x4 has no Verilog source to "
        "test; add the design's `verilog`\n"
    )
    assert not (place / "testbench").exists()


def test_a_top_that_is_no_name_gets_into_no_testbench(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = place / "vectors/ram16x4/design.toml"
    text = settings.read_text("utf-8").replace('top = "ram16x4"', 'top = "x (); $stop"')
    settings.write_text(text, "utf-8")
    assert main(["testbench", "vectors/ram16x4/bus.csv"]) == 2
    assert "[bad-top] 'x (); $stop' cannot be the name of a Ver" in capsys.readouterr().err


def test_a_source_of_any_name_is_no_option_and_no_command(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = place / "vectors/ram16x4"
    shutil.move(folder / "ram16x4.v", folder / "-o x; touch y.v")
    settings = (folder / "design.toml").read_text("utf-8")
    (folder / "design.toml").write_text(settings.replace("ram16x4.v", "-o x; touch y.v"), "utf-8")
    assert main(["testbench", "vectors/ram16x4/bus.csv", "-o", "vectors/ram16x4"]) == 0
    assert "-I. ram16x4_bus_tb.v './-o x; touch y.v'\n" in capsys.readouterr().out

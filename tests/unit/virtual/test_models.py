"""Whether a virtual chip can be a design: everything that speaks against it, at its file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from harness.shuttle import Bus, Direction, Shuttle
from harness.virtual import check_models
from tests.unit.virtual.small import PINS, shuttle


def told(whole: Shuttle) -> list[str]:
    return [str(finding) for finding in check_models(whole.designs)]


def test_netlists_that_fit_have_no_finding(tmp_path: Path) -> None:
    assert told(shuttle(tmp_path)) == []


def test_a_design_without_a_netlist_is_no_mistake(tmp_path: Path) -> None:
    whole = shuttle(tmp_path)
    bare = tuple(replace(design, netlist=None) for design in whole.designs)
    assert told(replace(whole, designs=bare)) == []


def test_everything_in_which_signals_and_ports_differ_is_told(tmp_path: Path) -> None:
    whole = shuttle(tmp_path)
    signals = (
        Bus("d", (PINS["in0"],), Direction.OUTPUT),
        Bus("ab", (PINS["in1"],), Direction.INPUT),
        Bus("clock", (PINS["clk"],), Direction.CLOCK),
        Bus("q", (PINS["out1"], PINS["out0"]), Direction.OUTPUT),
    )
    register = replace(whole.designs[0], signals=signals)
    start = f'{tmp_path}/register.json: error [netlist-misfit] design "register": '
    end = (
        "; correct [signals] in design.toml, or the design and make it with "
        "`harness netlist register` (needs pip install 'harness[synthesis]')"
    )
    assert told(replace(whole, designs=(register,))) == [
        f"{start}input clk of the netlist is no signal in design.toml; the nearest are clock{end}",
        f"{start}signal d is output, its port is input{end}",
        f"{start}signal ab has 1 pins, its port 2 bits{end}",
        f"{start}signal clock is no port of the netlist; the nearest are clk{end}",
    ]


def test_a_file_that_is_no_netlist_is_told_in_each_design(tmp_path: Path) -> None:
    whole = shuttle(tmp_path)
    (tmp_path / "register.json").write_text("")
    (tmp_path / "pad.json").write_text('{"modules": {"pad": {}}}')
    (tmp_path / "ring.json").unlink()
    rule, end = "error [unreadable-netlist]", "make it with "
    assert [line.split(end)[0] for line in told(whole)] == [
        (
            f"{tmp_path}/register.json: {rule} not the JSON of a Yosys netlist: Expecting value: "
            "line 1 column 1 (char 0); "
        ),
        f"{tmp_path}/pad.json: {rule} no module is named 'top'; there are pad; ",
        f"{tmp_path}/ring.json: {rule} no such file; ",
    ]

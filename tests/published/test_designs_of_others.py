"""Designs that nobody here wrote: one table agrees in every cycle on all that can run it.

The sources come from packages of others. Each gets a wrapper of a few lines where it has more
ports than a board has pins. A table of random and directed inputs takes every level from a
simulation that starts unknown, and tests what is known: on the netlist from three power-up states,
on a virtual chip, and by the exported testbench in both simulators. With one level wrong, all fail.
"""

from __future__ import annotations

import csv
import importlib.util
import random
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import harness
from harness.convert import make_testbench
from harness.netlist import synthesise
from harness.rack import single_slot
from harness.records import RehearsalResult, Verdict
from harness.rehearse import Cache, Rehearser
from harness.shuttle import Design, Shuttle, load_shuttle
from harness.table import load_table
from tests.published import icarus, simulators
from tests.published.simulators import ICARUS, VERILATOR

pytestmark = [
    pytest.mark.nightly,
    pytest.mark.timeout(1800),
    pytest.mark.skipif(not icarus.available(), reason=icarus.MISSING),
    pytest.mark.skipif(simulators.root() is None, reason=simulators.MISSING),
]

ROOT = Path(__file__).parents[2]
PICORV32 = ("pythondata_cpu_picorv32", "verilog")
SERV = ("pythondata_cpu_serv", "verilog", "rtl")
CIRCUITGRAPH = ("circuitgraph", "netlists")

Step = dict[str, int]
"""Levels of inputs in one cycle; the others hold theirs."""


@dataclass(frozen=True)
class Case:
    """A design of others, what it is wrapped in, its pins, and what drives it."""

    name: str
    package: tuple[str, ...]
    sources: tuple[str, ...]
    wrapper: str
    signals: dict[str, str]
    steps: Callable[[random.Random], Iterator[Step]]


def uart(rng: random.Random) -> Iterator[Step]:
    yield {"div_we": 1, "d": 3, "dat_we": 0, "dat_re": 0, "rx": 1}
    yield {"div_we": 0}
    yield from ({} for _ in range(80))
    for byte in rng.sample(range(256), 6):
        frame = [0, *(byte >> k & 1 for k in range(8)), 1]
        yield {"dat_we": 1, "d": byte}
        yield {"dat_we": 0, "rx": 1}
        for level in frame:
            yield from ({"rx": level} for _ in range(5))
        yield from ({"rx": 1} for _ in range(10))
        yield {"dat_re": 1}
        yield {"dat_re": 0}


def flash(rng: random.Random) -> Iterator[Step]:
    yield {"valid": 0, "a": 0, "di": 0}
    yield from ({} for _ in range(40))
    for _ in range(4):
        yield {"valid": 1, "a": rng.randrange(64)}
        yield from ({"di": rng.randrange(16)} for _ in range(180))
        yield {"valid": 0}


def multiplier(rng: random.Random) -> Iterator[Step]:
    for kind in (0, 1, 2, 3, 0, 1):
        yield from ({"d": rng.randrange(256), "load": 1, "valid": 0} for _ in range(8))
        yield {"load": 0, "valid": 1, "f": kind}
        yield from ({} for _ in range(75))
        yield from ({"load": 0, "valid": 0} for _ in range(6))


def processor(rng: random.Random) -> Iterator[Step]:
    for k in range(12):
        register = 1 + k % 4
        word = (
            rng.choice(
                [
                    rng.randrange(4096) << 20 | register << 7 | 0x13,  # addi rd, x0, imm
                    register << 20
                    | register << 15
                    | rng.choice((0, 4, 6, 7)) << 12
                    | register << 7
                    | 0x33,
                    register << 20 | 0x2023 | rng.randrange(32) << 7,  # sw
                ]
            )
            if k > 3
            else rng.randrange(4096) << 20 | register << 7 | 0x13
        )
        yield from (
            {"d": word >> shift & 255, "load": 1, "ack": 0, "dack": 0} for shift in (24, 16, 8, 0)
        )
        yield from ({"load": 0, "sel": rng.randrange(2)} for _ in range(4))
        yield {"ack": 1}
        yield {"ack": 0}
        for _ in range(110):
            yield {"dack": int(rng.random() < 0.2), "sel": rng.randrange(2)}


def shifted(rng: random.Random) -> Iterator[Step]:
    for _ in range(60):
        yield from ({"d": rng.randrange(256)} for _ in range(1 + rng.randrange(19)))
        yield from ({"sel": sel} for sel in rng.sample(range(16), 4))


def plain(rng: random.Random) -> Iterator[Step]:
    yield from ({name: rng.randrange(2) for name in ("G0", "G1", "G2", "G3")} for _ in range(300))


CASES = [
    Case(
        "simpleuart",
        PICORV32,
        ("picosoc/simpleuart.v",),
        """
module top (input clk, rst_n, div_we, dat_we, dat_re, rx, input [7:0] d,
            output tx, busy, output [7:0] q);
  wire [31:0] data;
  simpleuart dut (.clk(clk), .resetn(rst_n), .ser_tx(tx), .ser_rx(rx),
    .reg_div_we({3'b0, div_we}), .reg_div_di({24'b0, d}), .reg_div_do(),
    .reg_dat_we(dat_we), .reg_dat_re(dat_re), .reg_dat_di({24'b0, d}), .reg_dat_do(data),
    .reg_dat_wait(busy));
  assign q = data[7:0];
endmodule
""",
        {
            "d": "in7..in0", "div_we": "in8", "dat_we": "io0", "dat_re": "io1", "rx": "io2",
            "q": "out7..out0", "tx": "out8", "busy": "io3",
        },
        uart,
    ),
    Case(
        "spimemio",
        PICORV32,
        ("picosoc/spimemio.v",),
        """
module top (input clk, rst_n, valid, input [7:0] a, input [3:0] di,
            output ready, csb, sck, output [1:0] oe, output [3:0] q);
  wire [31:0] data;
  wire [3:0] out, driven;
  spimemio dut (.clk(clk), .resetn(rst_n), .valid(valid), .ready(ready), .addr({14'b0, a, 2'b0}),
    .rdata(data), .flash_csb(csb), .flash_clk(sck),
    .flash_io0_oe(driven[0]), .flash_io1_oe(driven[1]), .flash_io2_oe(driven[2]),
    .flash_io3_oe(driven[3]), .flash_io0_do(out[0]), .flash_io1_do(out[1]),
    .flash_io2_do(out[2]), .flash_io3_do(out[3]), .flash_io0_di(di[0]), .flash_io1_di(di[1]),
    .flash_io2_di(di[2]), .flash_io3_di(di[3]), .cfgreg_we(4'b0), .cfgreg_di(32'b0), .cfgreg_do());
  assign oe = driven[1:0];
  assign q = ready ? data[3:0] ^ data[11:8] ^ data[19:16] ^ data[27:24] : out;
endmodule
""",
        {
            "a": "in7..in0", "valid": "in8", "di": "io3..io0", "ready": "out8", "csb": "out7",
            "sck": "out6", "oe": "out5..out4", "q": "out3..out0",
        },
        flash,
    ),
    Case(
        "multiplier",
        PICORV32,
        ("picorv32.v",),
        """
module top (input clk, rst_n, load, valid, input [1:0] f, input [7:0] d,
            output busy, ready, output [7:0] q);
  reg [63:0] operands;
  reg [31:0] result;
  wire [31:0] product;
  picorv32_pcpi_mul dut (.clk(clk), .resetn(rst_n), .pcpi_valid(valid),
    .pcpi_insn({7'b0000001, 10'b0, 1'b0, f, 5'b0, 7'b0110011}), .pcpi_rs1(operands[63:32]),
    .pcpi_rs2(operands[31:0]), .pcpi_wr(), .pcpi_rd(product), .pcpi_wait(busy),
    .pcpi_ready(ready));
  always @(posedge clk) begin
    if (load) operands <= {operands[55:0], d};
    result <= ready ? product : result >> 8;
  end
  assign q = result[7:0];
endmodule
""",
        {
            "d": "in7..in0", "load": "in8", "valid": "io0", "f": "io2..io1", "busy": "io3",
            "ready": "out8", "q": "out7..out0",
        },
        multiplier,
    ),
    Case(
        "serv",
        SERV,
        (),
        """
module top (input clk, rst_n, load, ack, dack, sel, input [7:0] d,
            output cyc, write, output [7:0] q);
  reg [31:0] word;
  wire [31:0] fetch, place, data;
  serv_rf_top dut (.clk(clk), .i_rst(!rst_n), .i_timer_irq(1'b0), .o_ibus_adr(fetch),
    .o_ibus_cyc(cyc), .i_ibus_rdt(word), .i_ibus_ack(ack & cyc), .o_dbus_adr(place),
    .o_dbus_dat(data), .o_dbus_sel(), .o_dbus_we(), .o_dbus_cyc(write), .i_dbus_rdt(word),
    .i_dbus_ack(dack & write), .o_ext_rs1(), .o_ext_rs2(), .o_ext_funct3(), .i_ext_rd(32'b0),
    .i_ext_ready(1'b0), .o_mdu_valid());
  always @(posedge clk) if (load) word <= {word[23:0], d};
  assign q = sel ? data[7:0] : fetch[9:2];
endmodule
""",
        {
            "d": "in7..in0", "load": "in8", "ack": "io0", "dack": "io1", "sel": "io2",
            "write": "io3", "cyc": "out8", "q": "out7..out0",
        },
        processor,
    ),
    Case(
        "i2c",
        CIRCUITGRAPH,
        ("i2c.v",),
        """
module top (input clk, rst_n, input [7:0] d, input [3:0] sel, output [8:0] q);
  reg [146:0] in;
  wire [143:0] out;
  assign out[143:142] = 2'b0;
  i2c dut (PORTS);
  always @(posedge clk) in <= rst_n ? {in[138:0], d} : 147'b0;
  assign q = out >> (9 * sel);
endmodule
""".replace(
            "PORTS",
            ", ".join(
                [f".pi{k:03}(in[{k}])" for k in range(147)]
                + [f".po{k:03}(out[{k}])" for k in range(142)]
            ),
        ),
        {"d": "in7..in0", "sel": "io3..io0", "q": "out8..out0"},
        shifted,
    ),
    Case(
        "s27",
        CIRCUITGRAPH,
        ("s27.v",),
        """
module ff (input CK, D, output reg Q);
  always @(posedge CK) Q <= D;
endmodule
""",
        {"G0": "in0", "G1": "in1", "G2": "in2", "G3": "in3", "G17": "out0"},
        plain,
    ),
]  # fmt: skip

SIMULATORS = (ICARUS, VERILATOR)

OUTPUTS = ("q", "tx", "busy", "ready", "csb", "sck", "oe", "cyc", "write", "G17")


def package_file(case: Case, name: str) -> Path:
    spec = importlib.util.find_spec(case.package[0])
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent.joinpath(*case.package[1:], name)


def laid_out(case: Case, folder: Path) -> Path:
    """A shuttle with the pins of the demo's and this design alone; its folder."""
    place = folder / "vectors" / case.name
    place.mkdir(parents=True)
    found = case.sources or sorted(p.name for p in package_file(case, "").glob("serv_*.v"))
    names = [Path(name).name for name in found if "synth_wrapper" not in name]
    for name in found:
        shutil.copy(package_file(case, name), place)
    (place / "wrapper.v").write_text(case.wrapper, "utf-8")
    top = "top" if "module top" in case.wrapper else case.name
    clocked = {"clk": "clk", **({"rst_n": "nreset"} if top == "top" else {})}
    signals = {
        name: f'{{ pins = "{pins}", direction = "{"output" if name in OUTPUTS else "input"}" }}'
        for name, pins in case.signals.items()
    } | {name: f'"{pin}"' for name, pin in clocked.items()}
    (place / "design.toml").write_text(
        f'name = "{case.name}"\ntitle = "{case.name}"\naddress = 1\nsource = "its package"\n'
        f'clock_hz = 1_000_000\ntop = "{top}"\nverilog = {["wrapper.v", *names]!r}\n'
        'netlist = "netlist.json"\n\n[signals]\n'
        + "".join(f"{name} = {pins}\n" for name, pins in signals.items())
        + '\n[tables.all]\nfile = "all.csv"\n',
        "utf-8",
    )
    demo = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    pins = demo[demo.index("[pins]") :].split("[[waiver]]")[0]
    (place.parent / "shuttle.toml").write_text(
        'name = "Sandpiper 2"\norganisation = "Low Tide Silicon Club"\n'
        f'chip_serial = "SP2-[0-9]{{4}}"\ndesigns = ["{case.name}"]\n\n{pins}',
        "utf-8",
    )
    sources = [place / name for name in ("wrapper.v", *names)]
    (place / "netlist.json").write_text(synthesise(sources, top), "utf-8")
    return place


def write_table(case: Case, place: Path, expected: list[dict[str, str]]) -> None:
    """Write the inputs of the design and these outputs, cycle by cycle."""
    outputs = [name for name in case.signals if name in OUTPUTS]
    inputs = [name for name in case.signals if name not in OUTPUTS]
    lines = [",".join(["clk", *inputs, *outputs])]
    for k, step in enumerate(case.steps(random.Random(case.name))):
        cells = ["C", *(f"0b{step[n]:0{width(case, n)}b}" if n in step else "" for n in inputs)]
        row = expected[k] if expected else {}
        cells += [row.get(n, "L" * width(case, n) if k == 0 else "") for n in outputs]
        lines.append(",".join(cells))
    (place / "all.csv").write_text("\n".join(lines) + "\n", "utf-8")


def width(case: Case, name: str) -> int:
    first, _, last = case.signals[name].partition("..")
    return abs(int(first[-1]) - int((last or first)[-1])) + 1


def opened(place: Path) -> tuple[Shuttle, Design]:
    shuttle = load_shuttle(place.parent / "shuttle.toml")
    return shuttle, shuttle.designs[0]


def simulated_levels(case: Case, place: Path, folder: Path) -> list[dict[str, str]]:
    """What a simulation that starts unknown gives for each output, as cells."""
    shuttle, design = opened(place)
    spec = design.tables[0]
    stim = icarus.stimulus(load_table(spec, design, shuttle), spec, shuttle)
    seen = icarus.simulate(design, shuttle, stim, folder)
    first = np.searchsorted(seen.row, stim.reset_rows)
    high, low = seen.high[first:].tolist(), seen.low[first:].tolist()
    buses = [design.signals_by_name[name] for name in case.signals if name in OUTPUTS]
    return [
        {
            bus.name: "".join(
                "H" if up & pin.mask else "L" if down & pin.mask else "X" for pin in bus.pins
            )
            for bus in buses
        }
        for up, down in zip(high, low, strict=True)
    ]


def turned(expected: list[dict[str, str]], seed: str) -> tuple[list[dict[str, str]], int]:
    """The same with one tested level wrong, and in which cycle."""
    rng = random.Random(seed)
    known = [(k, name) for k, row in enumerate(expected) for name in row if set(row[name]) - {"X"}]
    cycle, name = rng.choice(known)
    cell = expected[cycle][name]
    at = rng.choice([k for k, symbol in enumerate(cell) if symbol != "X"])
    wrong = cell[:at] + ("L" if cell[at] == "H" else "H") + cell[at + 1 :]
    return [*expected[:cycle], expected[cycle] | {name: wrong}, *expected[cycle + 1 :]], cycle


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_all_agree_in_every_cycle(tmp_path: Path, case: Case) -> None:
    place = laid_out(case, tmp_path)
    write_table(case, place, [])
    expected = simulated_levels(case, place, tmp_path)
    tested = sum(symbol != "X" for row in expected for cell in row.values() for symbol in cell)
    symbols = {symbol for row in expected for cell in row.values() for symbol in cell}
    assert {"H", "L"} <= symbols
    assert tested > 0.5 * sum(len(cell) for row in expected for cell in row.values())
    write_table(case, place, expected)
    run_everywhere(place, tmp_path / "good", None)
    wrong, cycle = turned(expected, case.name)
    write_table(case, place, wrong)
    run_everywhere(place, tmp_path / "wrong", cycle)


def run_everywhere(place: Path, folder: Path, wrong: int | None) -> None:
    """Expect the first wrong cycle of the table, or none, wherever it can run."""
    folder.mkdir()
    shuttle, design = opened(place)
    spec = design.tables[0]
    pattern = load_table(spec, design, shuttle)
    rehearsed = Rehearser(shuttle, Cache(folder / "cache")).rehearse(design, spec, pattern)
    cycle = rehearsed.first.cycle if rehearsed.first else None
    assert (rehearsed.why, cycle) == ("", wrong), rehearsed
    assert (rehearsed.result is RehearsalResult.PASSES) == (wrong is None)
    rack = single_slot(
        "virtual", "SP2-0001", "WB-01", place.parent / "shuttle.toml", ROOT / "ci" / "wader.toml"
    )
    (outcome,) = harness.run(rack, store=str(folder / "store.sqlite")).chips[0].outcomes
    verdict = Verdict.PASS if wrong is None else Verdict.FAIL
    assert (outcome.verdict, outcome.attempts[0].first_cycle) == (
        verdict, -1 if wrong is None else wrong,
    )  # fmt: skip
    bench = make_testbench(design, spec, shuttle, pattern)
    for simulator in SIMULATORS:
        said = simulators.simulate(bench, simulator, folder)
        first = said.first
        assert (said.code, first[0] if first else None) == (int(wrong is not None), wrong), said
        assert ("PASS" in said.text) == (wrong is None)


LOOP = """
`timescale 1ns/1ps
module bench;
  reg clk = 0, rst_n = 0, div_we = 0, dat_we = 0, dat_re = 0, rx = 1;
  reg [7:0] d = 0;
  wire tx, busy;
  wire [7:0] q;
  integer k;
  top dut (clk, rst_n, div_we, dat_we, dat_re, rx, d, tx, busy, q);
  always #5 clk = ~clk;
  always @(negedge clk) rx <= tx;
  initial begin
    $dumpfile("loop.vcd"); $dumpvars(1, dut);
    repeat (3) @(negedge clk);
    rst_n = 1; d = 4; div_we = 1;
    @(negedge clk) div_we = 0;
    for (k = 0; k < 5; k = k + 1) begin
      d = 8'h5b + 37 * k; dat_we = 1;
      @(posedge clk);
      while (busy) @(posedge clk);
      @(negedge clk) dat_we = 0;
      repeat (90) @(negedge clk);
      dat_re = 1;
      @(negedge clk) dat_re = 0;
    end
    $finish;
  end
endmodule
"""
"""A bench that sends bytes to itself; its simulation is the only source of the table."""


def test_a_dump_becomes_a_table_that_agrees_in_every_cycle(tmp_path: Path) -> None:
    place = laid_out(CASES[0], tmp_path)
    settings = place / "design.toml"
    settings.write_text(settings.read_text("utf-8").partition("\n[tables.")[0], "utf-8")
    (tmp_path / "loop.v").write_text(LOOP, "utf-8")
    sources = ["loop.v", str(place / "wrapper.v"), str(place / "simpleuart.v")]
    for command in (["iverilog", "-g2005", "-o", "loop.vvp", *sources], ["vvp", "-N", "loop.vvp"]):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    done = harness.import_dump(
        tmp_path / "loop.vcd", place, harness.ImportOptions(), lambda _: True, lambda *_: None
    )
    assert done is not None
    assert (done.name, done.rehearsal.result, done.explanation) == (
        "simpleuart/loop", RehearsalResult.PASSES, (),
    )  # fmt: skip
    with done.path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert {f"0x{(0x5B + 37 * k) % 256:02X}" for k in range(5)} <= {row["q"] for row in rows}
    assert {row["tx"] for row in rows} >= {"L", "H"}
    run_everywhere(place, tmp_path / "everywhere", None)

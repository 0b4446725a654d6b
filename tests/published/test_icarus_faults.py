"""Stuck-at faults of sequential circuits: the cycle that first finds each, as in Icarus Verilog.

The circuits are drawn by a seeded generator, every net but the clock is forced in turn (``force``
and ``release``), from a known start and from an unknown one. Icarus Verilog gets gate primitives.
"""

from __future__ import annotations

import random
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from harness.netlist import parse_bench
from harness.netlist.grading import UNFOUND, Grader, clocked
from harness.netlist.stuck import StuckAt

INPUTS, FLOPS, GATES, CYCLES = 5, 6, 30, 40
KINDS = ("and", "nand", "or", "nor", "xor", "xnor")


def drawn(seed: int) -> tuple[str, str]:
    """A circuit with a reset of half of its flops, as .bench and as Verilog."""
    rng = random.Random(seed)
    inputs, flops = [f"i{k}" for k in range(INPUTS)], [f"q{k}" for k in range(FLOPS)]
    nets, bench, verilog = [*inputs, *flops], [], []
    for index in range(GATES):
        kind, ins = rng.choice(KINDS), rng.sample(nets, 2)
        bench.append(f"g{index} = {kind.upper()}({', '.join(ins)})")
        verilog.append(f"{kind} u{index} (g{index}, {', '.join(ins)});")
        nets.append(f"g{index}")
    for index, q in enumerate(flops):
        data = rng.choice(nets[-20:])
        if index % 2 == 0:
            bench.append(f"d{index} = AND({data}, i0)")
            verilog.append(f"and v{index} (d{index}, {data}, i0);")
            data = f"d{index}"
        bench.append(f"{q} = DFF({data})")
        verilog.append(f"always @(posedge clock) {q} <= {data};")
    outputs = rng.sample(nets[-12:], 4)
    bench += [f"INPUT({net})" for net in inputs] + [f"OUTPUT({net})" for net in outputs]
    shown = ", ".join(outputs)
    wires = ", ".join(n for n in [*nets, *(f"d{k}" for k in range(0, FLOPS, 2))] if n[0] in "gd")
    return "\n".join(bench), f"wire {wires};\n" + "\n".join(
        verilog
    ) + f"\n`define SHOWN {{{shown}}}"


def bench_of(verilog: str, forced: list[str], start: str) -> str:
    """Every fault after the other, from the same start; a line a cycle."""
    inputs = ", ".join(f"i{k}" for k in range(INPUTS))
    flops = ", ".join(f"q{k}" for k in range(FLOPS))
    runs = []
    for statement in ["", *forced]:
        begin, end = (f"force {statement};", f"release {statement.split(' =')[0]};")
        runs.append(
            f"{begin if statement else ''} {{{flops}}} = {start}; run; {end if statement else ''}"
        )
    return f"""module bench;
reg clock = 0; reg {inputs}; reg {flops};
{verilog}
reg [{INPUTS - 1}:0] vectors [0:{CYCLES - 1}];
integer k;
task run; begin
  for (k = 0; k < {CYCLES}; k = k + 1) begin
    {{{inputs}}} = vectors[k]; #10 $display("%b", `SHOWN); clock = 1; #10 clock = 0; #10;
  end
end endtask
initial begin
$readmemb("vectors.txt", vectors);
{chr(10).join(runs)}
end
endmodule
"""


@pytest.mark.skipif(
    shutil.which("iverilog") is None,
    reason="Icarus Verilog is not installed (Debian package iverilog)",
)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("start", ["0", "x"])
def test_each_fault_is_found_in_the_cycle_in_which_icarus_finds_it(
    tmp_path: Path, seed: int, start: str
) -> None:
    bench, verilog = drawn(seed)
    netlist = parse_bench(bench, "here", "drawn")
    vectors = np.random.default_rng(seed).integers(0, 2, (CYCLES, INPUTS), dtype=np.uint8)
    vectors[:2, 0] = 0
    text = "\n".join("".join(map(str, vector)) for vector in vectors.tolist())
    (tmp_path / "vectors.txt").write_text(text, encoding="utf-8")
    names = [name for name in netlist.nets_by_name if name[0] in "igqd"]
    sites = [(name, level) for name in names for level in (0, 1)]
    forced = [f"{name} = 1'b{level}" for name, level in sites]
    source = bench_of(verilog, forced, f"{FLOPS}'b{start * FLOPS}")
    (tmp_path / "bench.v").write_text(source, encoding="utf-8")
    subprocess.run(["iverilog", "-g2012", "-o", "b", "bench.v"], cwd=tmp_path, check=True)
    done = subprocess.run(
        ["vvp", "-n", "b"], cwd=tmp_path, check=True, capture_output=True, text=True
    )
    lines = done.stdout.split()
    good, *bad = [lines[k : k + CYCLES] for k in range(0, len(lines), CYCLES)]
    known = np.zeros(FLOPS, dtype=np.int64) if start == "0" else None
    faults = [StuckAt(netlist.net(name), level) for name, level in sites]
    found = Grader(netlist, faults, clocked(netlist, vectors, "clock"), known).first_detections()
    expected = [
        next((2 * k for k in range(CYCLES) if _told(good[k], answers[k])), UNFOUND)
        for answers in bad
    ]
    assert dict(zip(sites, found.tolist(), strict=True)) == dict(zip(sites, expected, strict=True))
    assert len(set(expected)) > 3


def _told(good: str, bad: str) -> bool:
    return any({a, b} == {"0", "1"} for a, b in zip(good, bad, strict=True))

"""Stuck-at faults of sequential designs: the cycle that first finds each, as in Icarus Verilog.

Every net is forced in turn (``force`` and ``release``), from a known start and from an unknown
one, in s27 and in designs of the demo. Icarus Verilog gets the gates as primitives and the flops as
processes, written here from the netlist's tables.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.netlist import Kind, Netlist, PortDirection, load_netlist
from harness.netlist.grading import Grader
from harness.netlist.passes import UNFOUND
from harness.netlist.stuck import StuckAt, stuck_faults
from tests.published import demo
from tests.published.test_iscas_circuits import DATA
from tests.simulator import clocked, detections_of_all

pytestmark = pytest.mark.skipif(
    shutil.which("iverilog") is None,
    reason="Icarus Verilog is not installed (Debian package iverilog)",
)

CYCLES = 40


def design(name: str) -> Netlist:
    if name == "s27":
        return load_netlist(DATA / "s27.bench")
    found = demo.design(name)
    assert found.netlist is not None
    return load_netlist(found.netlist, found.top)


def ports(netlist: Netlist, direction: PortDirection) -> list[int]:
    """Nets of ports, clocks left out, in the order of the ports."""
    clocks = {int(net) for net in netlist.tables.groups[:, 2]}
    found = (net for p in netlist.ports if p.direction is direction for net in p.nets)
    return [net for net in found if net not in clocks]


def verilog(netlist: Netlist) -> str:
    """The gates and flops of a netlist with one clock, ``clock``, that rises."""
    tables = netlist.tables
    inputs, flops = ports(netlist, PortDirection.INPUT), tables.q.tolist()
    lines = [f"reg n{net};" for net in [*inputs, *flops]]
    lines += [f"wire n{out};" for out in tables.gates[:, 3].tolist()]
    lines += ["wire n0 = 1'b0, n1 = 1'b1;"]
    for index, (kind, a, b, out) in enumerate(tables.gates.tolist()):
        lines.append(f"{Kind(kind).name.lower()} g{index} (n{out}, n{a}, n{b});")
    for first, end, _, low, latch, set_, set_low, clear, clear_low in tables.groups.tolist():
        assert not low | latch
        set_now, clear_now = f"(n{set_} ^ 1'b{set_low})", f"(n{clear} ^ 1'b{clear_low})"
        for flop in range(first, end):
            q, data = f"n{tables.q[flop]}", f"n{tables.data[flop]}"
            lines.append(f"always @(posedge clock) if (!{clear_now} && !{set_now}) {q} <= {data};")
            lines.append(
                f"always @(again or {clear_now} or {set_now})"
                f" if ({clear_now}) {q} = 0; else if ({set_now}) {q} = 1;"
            )
    return "\n".join(lines)


def bench_of(netlist: Netlist, forced: list[str], start: str) -> str:
    """Every fault after the other, from the same start; a line a cycle."""
    inputs = ", ".join(f"n{net}" for net in ports(netlist, PortDirection.INPUT))
    outputs = ", ".join(f"n{net}" for net in ports(netlist, PortDirection.OUTPUT))
    width = len(ports(netlist, PortDirection.INPUT))
    flops = [f"n{net} = 1'b{start};" for net in netlist.tables.q.tolist()]
    runs = [
        f"{f'force {what};' if what else ''} run; {f'release {what.split()[0]};' if what else ''}"
        for what in ["", *forced]
    ]
    return f"""module bench;
reg clock = 0, again = 0;
{verilog(netlist)}
reg [{width - 1}:0] vectors [0:{CYCLES - 1}];
integer k;
task run; begin
  clock = 0; {{{inputs}}} = vectors[0]; #10 {" ".join(flops)} again = !again;
  for (k = 0; k < {CYCLES}; k = k + 1) begin
    {{{inputs}}} = vectors[k]; #10 $display("%b", {{{outputs}}}); clock = 1; #10 clock = 0; #10;
  end
end endtask
initial begin
$readmemb("vectors.txt", vectors);
{chr(10).join(runs)}
$finish;
end
endmodule
"""


def found_by_icarus(
    netlist: Netlist, faults: list[StuckAt], vectors: NDArray[np.uint8], start: str, folder: Path
) -> list[int]:
    """The step that first finds each fault, as ``Grader`` counts steps."""
    text = "\n".join("".join(map(str, vector)) for vector in vectors.tolist())
    (folder / "vectors.txt").write_text(text, encoding="utf-8")
    forced = [f"n{fault.net} = 1'b{fault.level}" for fault in faults]
    (folder / "bench.v").write_text(bench_of(netlist, forced, start), encoding="utf-8")
    subprocess.run(["iverilog", "-g2012", "-o", "b", "bench.v"], cwd=folder, check=True)
    done = subprocess.run(
        ["vvp", "-n", "b"], cwd=folder, check=True, capture_output=True, text=True
    )
    lines = done.stdout.split()
    good, *bad = [lines[k : k + CYCLES] for k in range(0, len(lines), CYCLES)]
    return [
        next((2 * k for k in range(CYCLES) if told(good[k], answers[k])), UNFOUND)
        for answers in bad
    ]


def told(good: str, bad: str) -> bool:
    return any({a, b} == {"0", "1"} for a, b in zip(good, bad, strict=True))


@pytest.mark.parametrize(
    "name", ["s27", "ctr163", "alu181", "crc16", "gray", "lfsr", "morse", "uart"]
)
@pytest.mark.parametrize("start", ["0", "x"])
def test_each_fault_is_found_in_the_cycle_in_which_icarus_finds_it(
    tmp_path: Path, name: str, start: str
) -> None:
    netlist = design(name)
    inputs = ports(netlist, PortDirection.INPUT)
    vectors = np.random.default_rng(1).integers(0, 2, (CYCLES, len(inputs)), dtype=np.uint8)
    resets = [k for k, net in enumerate(inputs) if "rst" in netlist.names[net]]
    vectors[:2, resets], vectors[2:, resets] = 0, 1
    faults = [fault for fault in stuck_faults(netlist) if not fault.readers]
    known = np.zeros(netlist.flop_count, dtype=np.int64) if start == "0" else None
    clock = next(p.name for p in netlist.ports if p.nets[0] == netlist.tables.groups[0, 2])
    grader = Grader(netlist, faults, clocked(netlist, vectors, clock), known)
    found = detections_of_all(grader).tolist()
    assert found == grader.detections().first.tolist()
    expected = found_by_icarus(netlist, faults, vectors, start, tmp_path)
    told_as = [(netlist.names[fault.net], fault.level) for fault in faults]
    assert dict(zip(told_as, found, strict=True)) == dict(zip(told_as, expected, strict=True))
    assert start == "x" or len(set(expected)) > 3

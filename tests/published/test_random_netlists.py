"""Random sequential netlists against Icarus Verilog: every net in every cycle.

The netlists are drawn by a seeded generator: gates, flops on either edge and with resets, clocks
divided by flops. Icarus Verilog gets the same cells as Verilog operators, not our reader's view.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from harness.netlist import load_netlist
from tests.simulator import Simulator
from tests.unit.netlist.plain import Bit, Cell, document, write

OPERATORS = {
    "$_AND_": "{A} & {B}",
    "$_NAND_": "~({A} & {B})",
    "$_OR_": "{A} | {B}",
    "$_NOR_": "~({A} | {B})",
    "$_XOR_": "{A} ^ {B}",
    "$_XNOR_": "~({A} ^ {B})",
    "$_ANDNOT_": "{A} & ~{B}",
    "$_ORNOT_": "{A} | ~{B}",
    "$_MUX_": "{S} ? {B} : {A}",
    "$_NOT_": "~{A}",
}
CLOCK, RESET, FIRST_INPUT, INPUTS, FLOPS, GATES = 2, 3, 4, 6, 12, 60
FIRST_FLOP = FIRST_INPUT + INPUTS
FIRST_GATE = FIRST_FLOP + FLOPS
CYCLES = 200


def draw(seed: int) -> list[Cell]:
    """Flops first, then gates that read inputs, flops and earlier gates."""
    rng = random.Random(seed)
    inputs, flops = range(FIRST_INPUT, FIRST_FLOP), range(FIRST_FLOP, FIRST_GATE)
    gates = range(FIRST_GATE, FIRST_GATE + GATES)
    cells: list[Cell] = []
    for number, net in enumerate(flops):
        edge, level = rng.choice("PN"), rng.choice("01")
        clock, data = CLOCK, rng.choice(gates)
        if number % 4 == 3:
            # A ripple clock. Its data must not change with it: order would decide, in silicon too.
            clock, data = rng.choice(flops[:number]), rng.choice(inputs)
        cells.append((f"$_DFF_{edge}N{level}_", {"C": clock, "R": RESET, "D": data, "Q": net}))
    for net in gates:
        kind = rng.choice(list(OPERATORS))
        known = range(FIRST_INPUT, net)
        pins = {pin: rng.choice(known) for pin in re.findall(r"{(\w)}", OPERATORS[kind])}
        cells.append((kind, {**pins, "Y": net}))
    return cells


def verilog(cells: list[Cell]) -> str:
    """The cells as Verilog, and a bench that prints every flop and gate in every cycle."""
    lines = [f"reg n{net} = 0;" for net in range(CLOCK, FIRST_FLOP)]
    shown = []
    for kind, pins in cells:
        named = {pin: f"n{bit}" for pin, bit in pins.items()}
        if kind in OPERATORS:
            lines.append(f"wire {named['Y']} = {OPERATORS[kind].format(**named)};")
            shown.append(named["Y"])
        else:
            edge = "posedge" if kind[6] == "P" else "negedge"
            q, level = named["Q"], kind[8]
            lines += [
                f"reg {q};",
                f"always @({edge} {named['C']} or negedge n{RESET})",
                f"  if (!n{RESET}) {q} <= {level}; else {q} <= {named['D']};",
            ]
            shown.append(q)
    # Declarations first: a flop's data is a gate further down.
    lines.sort(key=lambda line: not line.startswith(("reg", "wire")))
    declared = [re.sub(r"wire (\w+) = .*", r"wire \1;", line) for line in lines]
    assigned = [re.sub(r"wire", "assign", line) for line in lines if line.startswith("wire")]
    bits = ", ".join(f"n{net}" for net in reversed(range(RESET, FIRST_FLOP)))
    return f"""module bench;
{chr(10).join(declared)}
{chr(10).join(assigned)}
reg [{FIRST_FLOP - RESET - 1}:0] vectors [0:{CYCLES - 1}];
integer k;
initial begin
  $readmemb("vectors.txt", vectors);
  n{RESET} = 1; #10
  for (k = 0; k < {CYCLES}; k = k + 1) begin
    {{{bits}}} = vectors[k]; #10 n{CLOCK} = 1; #10 n{CLOCK} = 0; #10
    $display("%b", {{{", ".join(shown)}}});
  end
end
endmodule
"""


@pytest.mark.skipif(
    shutil.which("iverilog") is None,
    reason="Icarus Verilog is not installed (Debian package iverilog)",
)
@pytest.mark.parametrize("seed", range(10))
def test_a_random_netlist_runs_as_in_icarus_verilog(tmp_path: Path, seed: int) -> None:
    cells = draw(seed)
    rng = random.Random(seed)
    width = FIRST_FLOP - RESET
    vectors = [rng.getrandbits(width - 1) << 1 | (k > 0 and k % 50 != 0) for k in range(CYCLES)]
    write(tmp_path, "\n".join(f"{vector:0{width}b}" for vector in vectors), "vectors.txt")
    write(tmp_path, verilog(cells), "bench.v")
    subprocess.run(["iverilog", "-o", "bench", "bench.v"], cwd=tmp_path, check=True)
    done = subprocess.run(
        ["vvp", "-n", "bench"], cwd=tmp_path, check=True, capture_output=True, text=True
    )
    expected = done.stdout.split()
    outputs: list[Bit] = [pins.get("Y", pins.get("Q", 0)) for _, pins in cells]
    ports: dict[str, tuple[str, list[Bit]]] = {
        "clock": ("input", [CLOCK]),
        "rest": ("input", list(range(RESET, FIRST_FLOP))),
        "y": ("output", outputs[FLOPS:]),
        "q": ("output", outputs[:FLOPS]),
    }
    simulator = Simulator(load_netlist(write(tmp_path, document(ports, cells)), "top"), 1)
    for cycle, vector in enumerate(vectors):
        simulator.drive("rest", vector)
        for level in (0, 1, 0):
            simulator.drive("clock", level)
            simulator.settle()
        y, q = (int(simulator.read(port)[0]) for port in "yq")
        seen = f"{q:0{FLOPS}b}"[::-1] + f"{y:0{GATES}b}"[::-1]
        assert seen == expected[cycle], f"cycle {cycle}"

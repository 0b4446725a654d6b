"""Structural Verilog, and the flops of other people's libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.errors import NetlistError
from harness.netlist import load_netlist
from tests.simulator import Simulator
from tests.unit.netlist.plain import write

TEXT = """\
// two formats of ports, a range, an escaped name
module top(a, b, y, q);
  input [1:0] a;
  input b;
  output y; output q;
  wire \\odd.name , w;
  nand g1 (\\odd.name , a[0], a[1], b);
  assign w = ~(a[0] ^ b) & (b | 1'b0);
  or (y, w, \\odd.name );
  ff r0 (.CK (b), .D (w), .Q (q), .RN(a[1]));
endmodule
module ff(CK, D, Q, RN);
  input CK, D, RN; output Q; reg Q;
  always @(posedge CK) Q <= D;
endmodule
"""
CELLS = '[ff]\nkind = "flop"\ndata = "D"\nclock = "CK"\nq = "Q"\nclear = "!RN"\n'


def test_gates_and_expressions_compute_what_they_say(tmp_path: Path) -> None:
    write(tmp_path, CELLS, "top.cells.toml")
    netlist = load_netlist(write(tmp_path, TEXT, "top.v"))
    number = np.arange(8)
    a0, a1, b = number & 1, number >> 1 & 1, number >> 2
    simulator = Simulator(netlist, 8)
    simulator.drive("a", number & 3)
    simulator.drive("b", b)
    simulator.settle()
    w = (1 - (a0 ^ b)) & b
    assert simulator.read("y").tolist() == (w | (1 - (a0 & a1 & b))).tolist()
    assert simulator.read("q").tolist() == (w & b & a1).tolist(), "taken where the clock rose"


def test_a_cell_that_nobody_described_is_told_with_what_to_write(tmp_path: Path) -> None:
    path = write(tmp_path, TEXT, "top.v")
    with pytest.raises(NetlistError) as caught:
        load_netlist(path)
    assert str(caught.value) == (
        f"{path}:10: ff is no gate; if it is a flop or latch, say what its pins are in "
        'top.cells.toml: [ff], kind = "flop", data = "D", clock = "CK", q = "Q"'
    )


@pytest.mark.parametrize(
    ("statement", "complaint"),
    [
        ("always @(b) y = b;", "always is not structural; synthesise the design to gates"),
        ("not (y, b, b);", "not cannot have 2 inputs"),
        ("assign y = a;", "'a' is not one bit; write a statement for each"),
        ("ff r (b, y);", "the pins of a cell are connected by name: .D(net)"),
        ("ff r (.D(b), .X(y));", "pin X is not in top.cells.toml; pin CK is not connected"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_line(
    tmp_path: Path, statement: str, complaint: str
) -> None:
    write(tmp_path, CELLS, "top.cells.toml")
    text = f"module top(a, b, y);\ninput [1:0] a; input b;\noutput y;\n{statement}\nendmodule\n"
    path = write(tmp_path, text, "top.v")
    with pytest.raises(NetlistError) as caught:
        load_netlist(path)
    assert str(caught.value) == f"{path}:4: {complaint}"


def test_everything_wrong_with_definitions_is_told(tmp_path: Path) -> None:
    path = write(tmp_path, '[ff]\nkind = "gate"\nclok = "C"\ndata = "D"\nq = 1\n', "top.cells.toml")
    with pytest.raises(NetlistError) as caught:
        load_netlist(write(tmp_path, TEXT, "top.v"))
    assert str(caught.value).splitlines() == [
        f"{path}: [ff] has no key clock",
        f"{path}: [ff] has the unknown key clok; the nearest are clock",
        f"{path}: [ff] q must be the name of a pin",
        f"{path}: [ff] kind must be flop or latch",
    ]


def test_definitions_of_cells_are_in_the_folder_of_the_netlist(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    write(tmp_path, CELLS, "secret.toml")
    path = write(
        tmp_path / "in", "module top(input a, output y); assign y = a; endmodule\n", "top.v"
    )
    (tmp_path / "in/top.cells.toml").symlink_to("../secret.toml")
    with pytest.raises(NetlistError) as caught:
        load_netlist(path, "top")
    assert str(caught.value) == (
        f"{tmp_path}/in/top.cells.toml: leads out of its folder; put the file itself there"
    )

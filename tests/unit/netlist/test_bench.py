"""Reading ``.bench`` netlists."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from pathlib import Path

import pytest

from harness.errors import NetlistError
from harness.netlist import load_netlist, parse_bench
from tests.simulator import Simulator

WIDE: dict[str, Callable[[Sequence[int]], bool]] = {
    "AND": all,
    "NAND": lambda bits: not all(bits),
    "OR": any,
    "NOR": lambda bits: not any(bits),
    "XOR": lambda bits: sum(bits) % 2 == 1,
    "XNOR": lambda bits: sum(bits) % 2 == 0,
}


@pytest.mark.parametrize("kind", WIDE)
@pytest.mark.parametrize("width", [2, 3, 5])
def test_gates_with_many_inputs_keep_their_function(kind: str, width: int) -> None:
    names = [f"i{k}" for k in range(width)]
    lines = [f"INPUT({name})" for name in names]
    text = "\n".join([*lines, "OUTPUT(y)", f"y = {kind}({', '.join(names)})"])
    simulator = Simulator(parse_bench(text, "here", "wide"), 2**width)
    rows = list(product((0, 1), repeat=width))
    for name, column in zip(names, zip(*rows, strict=True), strict=True):
        simulator.drive(name, column)
    simulator.settle()
    assert simulator.read("y").tolist() == [int(WIDE[kind](row)) for row in rows]


def test_flops_take_their_data_on_the_rising_edge_of_the_port_clock() -> None:
    text = "INPUT(d)  # data\nOUTPUT(q)\n\nq = dff(n)\nn = NOT(d)"
    simulator = Simulator(parse_bench(text, "here", "flop"), 1)
    seen: list[int] = []
    for clock in (0, 1, 0, 1):
        simulator.drive("clock", clock)
        simulator.drive("d", int(len(seen) > 1))
        simulator.settle()
        seen.append(int(simulator.read("q")[0]))
    assert seen == [0, 1, 1, 0]


def test_every_wrong_line_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.bench"
    path.write_text("INPUT(a)\nwhat is this\nb = NOT(a, a)\nc = AOI(a, b)\nd = AND()\n")
    with pytest.raises(NetlistError) as caught:
        load_netlist(path)
    known = "AND, BUF, BUFF, DFF, INV, NAND, NOR, NOT, OR, XNOR, XOR"
    assert str(caught.value).splitlines() == [
        f"{path}:2: not a port or a gate: 'what is this'",
        f"{path}:3: NOT cannot have 2 inputs",
        f"{path}:4: unknown gate AOI; known are {known}",
        f"{path}:5: AND cannot have 0 inputs",
    ]


def test_a_last_line_without_an_end_may_be_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "cut.bench"
    path.write_text("INPUT(a)\nOUTPUT(b)\nb = NOT(a)\nOUTPUT(c)")
    with pytest.raises(NetlistError) as caught:
        load_netlist(path)
    assert str(caught.value) == (
        f"{path}:4: the last line does not end with a line break, so the file may be cut "
        "off; check whether anything is missing, then add a line break"
    )


def test_a_signal_that_nothing_drives_is_named() -> None:
    with pytest.raises(NetlistError, match=r"^here: nothing drives ghost$"):
        parse_bench("OUTPUT(y)\ny = NOT(ghost)", "here", "ghostly")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(NetlistError, match=r"gone\.bench: no such file"):
        load_netlist(tmp_path / "gone.bench")

"""Changing netlists: opening, buffers before nets, bridges."""

from __future__ import annotations

import pytest

from harness.errors import NetlistError
from harness.netlist import Circuit, Kind, Netlist, Simulator, parse_bench

TEXT = """\
INPUT(a)
INPUT(b)
OUTPUT(y)
OUTPUT(z)
OUTPUT(q)
y = NAND(a, b)
z = NOT(y)
q = DFF(z)
"""


def table(netlist: Netlist, port: str) -> list[int]:
    """Levels of a port for the four levels of a and b, after one clock."""
    simulator = Simulator(netlist, 4)
    simulator.drive("a", [0, 0, 1, 1])
    simulator.drive("b", [0, 1, 0, 1])
    simulator.settle()
    simulator.drive("clock", 1)
    simulator.settle()
    return [int(level) for level in simulator.read(port)]


def opened() -> tuple[Netlist, Circuit]:
    netlist = parse_bench(TEXT, "here", "small")
    return netlist, Circuit.of(netlist)


def test_opening_and_freezing_again_changes_nothing() -> None:
    netlist, circuit = opened()
    again = circuit.levelise()
    assert again.names == netlist.names
    assert again.nets_by_name == netlist.nets_by_name
    for before, after in zip(netlist.tables, again.tables, strict=True):
        assert before.tolist() == after.tolist()


@pytest.mark.parametrize("net", ["a", "y", "q"])
def test_a_buffer_before_a_net_changes_no_output(net: str) -> None:
    netlist, circuit = opened()
    circuit.isolate(netlist.net(net))
    changed = circuit.levelise()
    assert changed.gate_count == netlist.gate_count + 1
    for port in "yzq":
        assert table(changed, port) == table(netlist, port)


@pytest.mark.parametrize(("kind", "levels"), [(Kind.AND, [0, 0, 0, 1]), (Kind.OR, [0, 1, 1, 1])])
def test_bridged_inputs_carry_one_level(kind: Kind, levels: list[int]) -> None:
    netlist, circuit = opened()
    circuit.bridge(netlist.net("a"), netlist.net("b"), kind)
    assert table(circuit.levelise(), "z") == levels


def test_a_bridge_to_the_own_cause_is_settled_by_repetition() -> None:
    """Wired-AND of z and b: once low it holds itself low, and no loop of gates is refused."""
    netlist, circuit = opened()
    circuit.bridge(netlist.net("z"), netlist.net("b"), Kind.AND)
    assert table(circuit.levelise(), "z") == [0, 0, 0, 0]


def test_a_bridge_that_swings_is_named() -> None:
    netlist, circuit = opened()
    circuit.bridge(netlist.net("y"), netlist.net("z"), Kind.AND)
    with pytest.raises(NetlistError, match=r"^here: net y~z never becomes stable$"):
        table(circuit.levelise(), "q")

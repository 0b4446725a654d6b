"""Netlists that are opened again, and bridges between their nets."""

from __future__ import annotations

import pytest

from harness.errors import NetlistError
from harness.netlist import Circuit, Kind, Lane, Netlist, Short, parse_bench
from tests.simulator import Simulator

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


def table(netlist: Netlist, port: str, bridge: Short | None = None) -> list[int]:
    """Levels of a port for the four levels of a and b, after one clock; bridged in lanes 0 to 3.

    Lanes 4 to 7 have the same inputs and no bridge.
    """
    lane = Lane(bridges=(bridge,) if bridge else ())
    simulator = Simulator(netlist, 8, [lane] * 4)
    simulator.drive("a", [0, 0, 1, 1] * 2)
    simulator.drive("b", [0, 1, 0, 1] * 2)
    simulator.settle()
    simulator.drive("clock", 1)
    simulator.settle()
    return [int(level) for level in simulator.read(port)]


def small() -> Netlist:
    return parse_bench(TEXT, "here", "small")


def bridged(first: str, second: str, kind: Kind) -> Short:
    netlist = small()
    return Short(netlist.net(first), netlist.net(second), kind)


def test_opening_and_freezing_again_changes_nothing() -> None:
    netlist = small()
    again = Circuit.of(netlist).levelise()
    assert again.names == netlist.names
    assert again.nets_by_name == netlist.nets_by_name
    for before, after in zip(netlist.tables, again.tables, strict=True):
        assert before.tolist() == after.tolist()


@pytest.mark.parametrize(("kind", "levels"), [(Kind.AND, [0, 0, 0, 1]), (Kind.OR, [0, 1, 1, 1])])
def test_bridged_inputs_carry_one_level_in_their_lanes(kind: Kind, levels: list[int]) -> None:
    assert table(small(), "z", bridged("a", "b", kind)) == [*levels, 0, 0, 0, 1]


def test_a_bridge_to_the_own_cause_is_settled_by_repetition() -> None:
    """Wired-AND of z and b: once low it holds itself low."""
    assert table(small(), "z", bridged("z", "b", Kind.AND)) == [0, 0, 0, 0, 0, 0, 0, 1]


@pytest.mark.parametrize("kind", [Kind.AND, Kind.OR])
def test_lanes_whose_bridges_share_a_net_do_not_see_each_other(kind: Kind) -> None:
    """Each lane shows what it shows on a chip of its own, with the inputs that tell most."""
    pairs = [("a", "b"), ("a", "q"), ("b", "q"), ("b", "z")]
    own = [table(small(), "q", bridged(*pair, kind))[1:3] for pair in pairs]
    lanes = [Lane(bridges=(bridged(*pair, kind),)) for pair in pairs for _ in range(2)]
    simulator = Simulator(small(), 2 * len(pairs), lanes)
    simulator.drive("a", [0, 1] * len(pairs))
    simulator.drive("b", [1, 0] * len(pairs))
    simulator.settle()
    simulator.drive("clock", 1)
    simulator.settle()
    assert [int(level) for level in simulator.read("q")] == [one for two in own for one in two]


def test_a_bridge_that_swings_is_named() -> None:
    with pytest.raises(NetlistError, match=r"^here: net y~z never becomes stable$"):
        table(small(), "q", bridged("y", "z", Kind.AND))

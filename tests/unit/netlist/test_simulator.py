"""Running netlists: against an evaluator in plain Python, and cell by cell for what has state."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import NetlistError
from harness.netlist import Force, Lane, Netlist, load_netlist, parse_bench
from tests.simulator import Simulator
from tests.unit.netlist.plain import GATES, SINGLE, Bit, Cell, document, evaluate, write

INPUTS = 4
PAIRED = sorted(GATES)


@st.composite
def networks(draw: st.DrawFn) -> list[Cell]:
    """Random gate networks: each gate reads constants, inputs (2 to 5) and earlier gates."""
    cells: list[Cell] = []
    for index in range(draw(st.integers(1, 24))):
        known: list[Bit] = ["0", "1", *range(2, 2 + INPUTS + index)]
        kind = draw(st.sampled_from([*PAIRED, *SINGLE, "$_MUX_"]))
        names = "A" if kind in SINGLE else "ABS" if kind == "$_MUX_" else "AB"
        pins: dict[str, Bit] = {pin: draw(st.sampled_from(known)) for pin in names}
        cells.append((kind, {**pins, "Y": 2 + INPUTS + index}))
    return list(draw(st.permutations(cells)))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cells=networks())
def test_random_gate_networks_agree_with_plain_python(tmp_path: Path, cells: list[Cell]) -> None:
    outputs = [pins["Y"] for _, pins in cells]
    ports: dict[str, tuple[str, list[Bit]]] = {
        "a": ("input", list(range(2, 2 + INPUTS))),
        "y": ("output", outputs),
    }
    netlist = load_netlist(write(tmp_path, document(ports, cells)), "top")
    simulator = Simulator(netlist, 2**INPUTS)
    simulator.drive("a", range(2**INPUTS))
    simulator.settle()
    for number, seen in enumerate(simulator.read("y").tolist()):
        levels = evaluate(cells, {2 + k: number >> k & 1 for k in range(INPUTS)})
        assert seen == sum(levels[net] << place for place, net in enumerate(outputs))


def flop(folder: Path, kind: str, pins: dict[str, Bit]) -> Netlist:
    """One cell with data 2, clock or enable 3, set 4, reset 5 and output 6."""
    ports = {name: ("input", [bit]) for name, bit in (("d", 2), ("c", 3), ("s", 4), ("r", 5))}
    text = document({**ports, "q": ("output", [6])}, [(kind, {**pins, "D": 2, "Q": 6})])
    return load_netlist(write(folder, text), "top")


def steps(netlist: Netlist, sequence: list[dict[str, int]]) -> list[int]:
    """Levels of ``q`` after each step, each of which changes some inputs at once."""
    simulator = Simulator(netlist, 1)
    seen = []
    for inputs in sequence:
        for port, level in inputs.items():
            simulator.drive(port, level)
        simulator.settle()
        seen.append(int(simulator.read("q")[0]))
    return seen


@pytest.mark.parametrize("edge", "PN")
def test_a_flop_takes_its_data_on_one_edge_only(tmp_path: Path, edge: str) -> None:
    netlist = flop(tmp_path, f"$_DFF_{edge}_", {"C": 3})
    rest, fire = (0, 1) if edge == "P" else (1, 0)
    sequence = [{"c": rest, "d": 1}, {"c": fire}, {"d": 0}, {"c": rest}, {"c": fire}, {"d": 1}]
    assert steps(netlist, sequence) == [0, 1, 1, 1, 0, 0]


@pytest.mark.parametrize(("edge", "active", "level"), list(product("PN", "PN", "01")))
def test_reset_acts_without_a_clock_and_keeps_the_flop(
    tmp_path: Path, edge: str, active: str, level: str
) -> None:
    netlist = flop(tmp_path, f"$_DFF_{edge}{active}{level}_", {"C": 3, "R": 5})
    rest, fire = (0, 1) if edge == "P" else (1, 0)
    off, on = (0, 1) if active == "P" else (1, 0)
    value, other = int(level), 1 - int(level)
    sequence = [
        {"c": rest, "r": on, "d": other},
        {"r": off},
        {"c": fire},
        {"r": on},
        {"c": rest},
        {"c": fire},
        {"r": off},
    ]
    assert steps(netlist, sequence) == [value, value, other, value, value, value, value]


@pytest.mark.parametrize(("set_", "reset"), list(product("PN", "PN")))
def test_reset_wins_over_set(tmp_path: Path, set_: str, reset: str) -> None:
    netlist = flop(tmp_path, f"$_DFFSR_P{set_}{reset}_", {"C": 3, "S": 4, "R": 5})
    set_off, set_on = (0, 1) if set_ == "P" else (1, 0)
    off, on = (0, 1) if reset == "P" else (1, 0)
    sequence = [{"s": set_on, "r": off}, {"s": set_off}, {"s": set_on, "r": on}, {"r": off}]
    assert steps(netlist, sequence) == [1, 1, 0, 1]


@pytest.mark.parametrize("active", "PN")
def test_a_latch_follows_while_it_is_open(tmp_path: Path, active: str) -> None:
    netlist = flop(tmp_path, f"$_DLATCH_{active}_", {"E": 3})
    shut, open_ = (0, 1) if active == "P" else (1, 0)
    sequence = [{"c": shut, "d": 1}, {"c": open_}, {"d": 0}, {"d": 1}, {"c": shut}, {"d": 0}]
    assert steps(netlist, sequence) == [0, 1, 0, 1, 1, 1]


def test_a_latch_with_set_and_reset_obeys_them_when_shut(tmp_path: Path) -> None:
    netlist = flop(tmp_path, "$_DLATCHSR_PPP_", {"E": 3, "S": 4, "R": 5})
    assert steps(netlist, [{"s": 1}, {"s": 0}, {"r": 1}, {"r": 0}]) == [1, 1, 0, 0]


def test_flops_of_one_clock_change_together(tmp_path: Path) -> None:
    """Two flops that swap their contents: neither may see the other's new level."""
    cells: list[Cell] = [
        ("$_DFF_PN1_", {"C": 2, "R": 3, "D": 5, "Q": 4}),
        ("$_DFF_PN0_", {"C": 2, "R": 3, "D": 4, "Q": 5}),
    ]
    ports = {"c": ("input", [2]), "r": ("input", [3]), "q": ("output", [4, 5])}
    netlist = load_netlist(write(tmp_path, document(ports, cells)), "top")
    sequence = [{"r": 0}, {"r": 1}, *[{"c": level} for level in (1, 0, 1, 0)]]
    assert steps(netlist, sequence) == [1, 1, 2, 2, 1, 1]


def test_ripple_counters_settle_through_all_stages(tmp_path: Path) -> None:
    stages = 12
    cells: list[Cell] = []
    for stage in range(stages):
        clock = 2 if stage == 0 else 3 + stage - 1
        kind = "$_DFF_P_" if stage == 0 else "$_DFF_N_"
        cells.append((kind, {"C": clock, "D": 100 + stage, "Q": 3 + stage}))
        cells.append(("$_NOT_", {"A": 3 + stage, "Y": 100 + stage}))
    ports = {"c": ("input", [2]), "q": ("output", list(range(3, 3 + stages)))}
    netlist = load_netlist(write(tmp_path, document(ports, cells)), "top")
    simulator = Simulator(netlist, 1)
    simulator.settle()
    for count in range(1, 4500):
        for level in (1, 0):
            simulator.drive("c", level)
            simulator.settle()
        assert int(simulator.read("q")[0]) == count % 2**stages


def test_a_net_that_never_settles_is_named(tmp_path: Path) -> None:
    cells: list[Cell] = [
        ("$_DLATCH_P_", {"E": 2, "D": 4, "Q": 3}),
        ("$_NOT_", {"A": 3, "Y": 4}),
    ]
    ports = {"open": ("input", [2]), "ring": ("output", [3])}
    simulator = Simulator(load_netlist(write(tmp_path, document(ports, cells)), "top"), 1)
    simulator.settle()
    simulator.drive("open", 1)
    with pytest.raises(NetlistError, match=r"module top: net ring never becomes stable$"):
        simulator.settle()


def test_a_bidirectional_port_is_driven_by_the_design_or_from_outside(tmp_path: Path) -> None:
    cells: list[Cell] = [
        ("$_TBUF_", {"A": 2, "E": 3, "Y": 4}),
        ("$_NOT_", {"A": 4, "Y": 5}),
    ]
    ports = {
        "d": ("input", [2]),
        "e": ("input", [3]),
        "io": ("inout", [4]),
        "n": ("output", [5]),
    }
    simulator = Simulator(load_netlist(write(tmp_path, document(ports, cells)), "top"), 4)
    simulator.drive("d", 1)
    simulator.drive("e", [0, 1, 0, 1])
    simulator.settle()
    assert simulator.read("io").tolist() == [0, 1, 0, 1]
    assert simulator.floating("io").tolist() == [1, 0, 1, 0]
    simulator.drive("io", [1, 0, 0, 1])
    simulator.settle()
    assert simulator.read("io").tolist() == [1, 0, 0, 1], "from outside wins"
    assert simulator.read("n").tolist() == [0, 1, 1, 0]
    simulator.release("io")
    simulator.settle()
    assert simulator.read("io").tolist() == [0, 1, 0, 1]


def test_two_buffers_may_share_a_net(tmp_path: Path) -> None:
    cells: list[Cell] = [
        ("$_TBUF_", {"A": "1", "E": 2, "Y": 4}),
        ("$_TBUF_", {"A": "0", "E": 3, "Y": 4}),
    ]
    ports = {"e": ("input", [2, 3]), "y": ("output", [4])}
    simulator = Simulator(load_netlist(write(tmp_path, document(ports, cells)), "top"), 4)
    simulator.drive("e", range(4))
    simulator.settle()
    assert simulator.read("y").tolist() == [0, 1, 0, 1]
    assert simulator.floating("y").tolist() == [1, 0, 0, 0]


TOGGLE = "INPUT(d)\nOUTPUT(q)\nOUTPUT(n)\nq = DFF(x)\nx = XOR(q, d)\nn = NOT(q)"


def clocked(simulator: Simulator) -> None:
    for level in (1, 0):
        simulator.drive("clock", level)
        simulator.settle()


def test_lanes_run_apart_in_as_many_words_as_they_need() -> None:
    simulator = Simulator(parse_bench(TOGGLE, "here", "toggle"), 130)
    data = np.arange(130) % 3 == 0
    simulator.drive("d", data)
    clocked(simulator)
    assert simulator.read("q").tolist() == data.astype(int).tolist()
    clocked(simulator)
    assert not simulator.read("q").any()


@pytest.mark.parametrize("net", ["d", "q", "x", "n"])
@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("values", [2, 3])
def test_a_stuck_net_is_stuck_in_its_lanes_only(net: str, level: int, values: int) -> None:
    netlist = parse_bench(TOGGLE, "here", "toggle")
    lanes = (0, 63, 64, 69)
    stuck = Lane(nets=(Force(netlist.net(net), level),))
    special = [stuck if lane in lanes else Lane() for lane in range(70)]
    known = np.zeros((1, 70), dtype=np.int64)
    simulator = Simulator(netlist, 70, special, known, values)
    healthy = Simulator(netlist, 1)
    for step in range(6):
        for either in (simulator, healthy):
            either.drive("d", step % 3 == 0)
            clocked(either)
        bits = simulator.net(netlist.net(net))
        assert {int(bits[lane]) for lane in lanes} == {level}
        expected = int(healthy.read("q")[0])
        others = [lane for lane in range(70) if lane not in lanes]
        assert {int(simulator.read("q")[lane]) for lane in others} == {expected}
        assert not simulator.unknown("q").any()


def test_what_starts_unknown_stays_so_until_something_known_is_taken_in() -> None:
    netlist = parse_bench(
        "INPUT(d)\nOUTPUT(q)\nOUTPUT(y)\nq = DFF(d)\ny = AND(q, d)", "here", "one"
    )
    simulator = Simulator(netlist, 2, values=3)
    simulator.drive("d", [0, 1])
    simulator.settle()
    assert (simulator.unknown("q").tolist(), simulator.unknown("y").tolist()) == ([1, 1], [0, 1])
    clocked(simulator)
    assert (simulator.read("q").tolist(), simulator.unknown("q").tolist()) == ([0, 1], [0, 0])


@pytest.mark.parametrize("enable", [0, 1])
def test_a_latch_is_evaluated_at_power_up_if_it_is_open(tmp_path: Path, enable: int) -> None:
    netlist = flop(tmp_path, "$_DLATCH_P_", {"E": 3})
    simulator = Simulator(netlist, 1)
    simulator.drive("d", 1)
    simulator.drive("c", enable)
    simulator.settle()
    assert simulator.read("q").tolist() == [enable]


def test_an_output_cannot_be_driven() -> None:
    simulator = Simulator(parse_bench(TOGGLE, "here", "toggle"), 1)
    with pytest.raises(NetlistError, match="here: q is an output and cannot be driven"):
        simulator.drive("q", 1)

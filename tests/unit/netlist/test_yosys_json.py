"""Reading the JSON that Yosys writes: names, constants, and everything that is refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import NetlistError
from harness.netlist import PortDirection, load_netlist
from tests.simulator import Simulator, port_of
from tests.unit.netlist.plain import Cell, document, write

AND: Cell = ("$_AND_", {"A": 2, "B": 3, "Y": 4})


def refusal(path: Path, top: str = "top") -> str:
    with pytest.raises(NetlistError) as caught:
        load_netlist(path, top)
    return str(caught.value)


def test_ports_and_nets_are_found_by_the_names_of_the_file(tmp_path: Path) -> None:
    text = document(
        {"a": ("input", [2, 3]), "y": ("output", [4])}, [AND], {"product": [4], "pair": [3, 2]}
    )
    netlist = load_netlist(write(tmp_path, text), "top")
    assert [(p.name, p.direction, len(p.nets)) for p in netlist.ports] == [
        ("a", PortDirection.INPUT, 2),
        ("y", PortDirection.OUTPUT, 1),
    ]
    assert netlist.net("product") == netlist.net("y")
    assert netlist.net("pair[0]") == netlist.net("a[1]")
    assert netlist.gate_count == 1
    assert netlist.levels == 1


def test_bits_are_named_as_the_source_counts_them(tmp_path: Path) -> None:
    content = json.loads(document({"a": ("input", [2, 3]), "y": ("output", [4])}, [AND]))
    names = content["modules"]["top"]["netnames"]
    names["from_four"] = {"bits": [2, 3], "offset": 4}
    names["upwards"] = {"bits": [2, 3], "upto": 1}
    netlist = load_netlist(write(tmp_path, json.dumps(content)), "top")
    assert netlist.net("from_four[5]") == netlist.net("a[1]")
    assert netlist.net("upwards[0]") == netlist.net("a[1]")


def test_nets_without_a_name_are_called_by_their_number_in_the_file(tmp_path: Path) -> None:
    cells: list[Cell] = [AND, ("$_NOT_", {"A": 4, "Y": 9})]
    text = document({"a": ("input", [2, 3]), "y": ("output", [9])}, cells)
    netlist = load_netlist(write(tmp_path, text), "top")
    assert netlist.net("$4") not in port_of(netlist, "a").nets + port_of(netlist, "y").nets


def test_constants_in_the_file_have_their_level_and_undefined_ones_are_low(tmp_path: Path) -> None:
    text = document({"y": ("output", ["0", "1", "x", "z"])}, [])
    simulator = Simulator(load_netlist(write(tmp_path, text), "top"), 1)
    simulator.settle()
    assert simulator.read("y").tolist() == [0b0010]


def test_an_unknown_name_is_answered_with_the_nearest(tmp_path: Path) -> None:
    path = write(tmp_path, document({"sum": ("input", [2]), "carry": ("output", [2])}, []))
    netlist = load_netlist(path, "top")
    with pytest.raises(NetlistError) as caught:
        netlist.net("cary")
    assert str(caught.value) == (
        f"{path}, module top: no net is named 'cary'; the nearest are carry"
    )
    with pytest.raises(NetlistError, match=r"no net is named 'q'; there are carry, sum$"):
        netlist.net("q")


def test_every_cell_at_fault_is_listed(tmp_path: Path) -> None:
    cells: list[Cell] = [
        ("$add", {"A": 2, "B": 3, "Y": 4}),
        ("$_AND_", {"A": 2, "Y": 5}),
        ("$_DFF_P_", {"C": 2, "Q": 6}),
    ]
    path = write(tmp_path, document({"a": ("input", [2, 3])}, cells))
    assert refusal(path).splitlines() == [
        f"{path}, module top: cell u0 is a $add, which is not a simple gate or flop",
        f"{path}, module top: cell u1 ($_AND_) has no connection B",
        f"{path}, module top: cell u2 ($_DFF_P_) has no connection D",
    ]


@pytest.mark.parametrize(
    ("cells", "complaint"),
    [
        ([AND, ("$_OR_", {"A": 2, "B": 3, "Y": 4})], "more than one driver on y"),
        ([AND, ("$_BUF_", {"A": 3, "Y": 2})], "more than one driver on a[0]"),
        ([("$_AND_", {"A": 2, "B": 7, "Y": 4})], "nothing drives $7"),
        (
            [
                ("$_AND_", {"A": 2, "B": 6, "Y": 5}),
                ("$_OR_", {"A": 3, "B": 5, "Y": 6}),
                ("$_BUF_", {"A": 6, "Y": 4}),
            ],
            "a loop of gates without a flop: $5, $6",
        ),
    ],
)
def test_nets_that_cannot_be_evaluated_are_named(
    tmp_path: Path, cells: list[Cell], complaint: str
) -> None:
    path = write(tmp_path, document({"a": ("input", [2, 3]), "y": ("output", [4])}, cells))
    assert refusal(path) == f"{path}, module top: {complaint}"


def test_a_bidirectional_port_that_a_gate_always_drives_has_a_net_of_its_own(
    tmp_path: Path,
) -> None:
    ports = {"a": ("input", [2, 3]), "io": ("inout", [4, 2]), "y": ("output", [4])}
    netlist = load_netlist(write(tmp_path, document(ports, [AND])), "top")
    assert port_of(netlist, "io").nets == (netlist.net("io.pad[0]"), netlist.net("io.pad[1]"))
    simulator = Simulator(netlist, 1)
    simulator.drive("a", 0b11)
    simulator.settle()
    assert simulator.read("io").tolist() == [0b11]
    simulator.drive("io", 0b00)  # two drivers fight at the pin; what the gate says stays inside
    simulator.settle()
    assert (simulator.read("io").tolist(), simulator.read("y").tolist()) == ([0], [1])


def test_a_buffer_and_a_gate_on_one_pin_are_two_drivers(tmp_path: Path) -> None:
    buffer: Cell = ("$_TBUF_", {"A": 2, "E": 3, "Y": 4})
    ports = {"a": ("input", [2, 3]), "io": ("inout", [4])}
    path = write(tmp_path, document(ports, [AND, buffer]))
    assert refusal(path) == f"{path}, module top: more than one driver on io"


def test_files_that_are_no_netlist_are_refused_by_name(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none.json") == (f"{tmp_path / 'none.json'}: no such file")
    for text in (
        "",
        "[]",
        '{"modules": 3}',
        '{"modules": ["top"]}',
        '{"modules": {"top": {"ports": 3}}}',
        (
            '{"modules": {"top": {"ports": {}, "cells": {"u": {"type": "", '
            '"connections": {"A": []}}}}}}'
        ),
        "{" * 50,
        "[" * 100_000,
    ):
        path = write(tmp_path, text)
        assert refusal(path).startswith(f"{path}: not the JSON of a Yosys netlist: ")
    path = write(tmp_path, document({}, []))
    assert refusal(path, "tpo") == (f"{path}: no module is named 'tpo'; the nearest are top")


ODD = ("null", "-1", '"x"', "[]", "{}", "[[]]", '{"bits": [2]}', "1e30")


@given(st.lists(st.tuples(st.integers(0, 10_000), st.sampled_from(ODD)), min_size=1, max_size=3))
def test_a_file_with_odd_values_in_it_is_read_or_refused(spoiled: list[tuple[int, str]]) -> None:
    ports = {"a": ("input", [2, 3]), "y": ("output", [4])}
    content = json.loads(document(ports, [AND, ("$_DFF_P_", {"C": 2, "D": 3, "Q": 5})]))
    for place, value in spoiled:
        spots = list(places(content))
        holder, key = spots[place % len(spots)]
        holder[key] = json.loads(value)
    with TemporaryDirectory() as folder:
        path = write(Path(folder), json.dumps(content))
        with suppress(NetlistError):
            load_netlist(path, "top")


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a document that holds a value."""
    keys = value if isinstance(value, dict) else range(len(value) if isinstance(value, list) else 0)
    for key in keys:
        yield value, key
        yield from places(value[key])

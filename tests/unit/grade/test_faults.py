"""The fault list: sites are the pins of the file's cells, not of what they are evaluated as."""

from __future__ import annotations

from pathlib import Path

from harness.grade import fault_list
from harness.netlist import Netlist, load_netlist, parse_bench

DATA = Path(__file__).parents[2] / "published" / "data"


def wide(kind: str, inputs: str) -> Netlist:
    ports = "".join(f"INPUT({net})\n" for net in inputs)
    return parse_bench(f"{ports}OUTPUT(y)\ny = {kind}({', '.join(inputs)})", "here", "wide")


def test_a_gate_with_four_inputs_has_ten_faults_of_which_six_are_left() -> None:
    faults = fault_list(wide("NAND", "abcd"))
    assert len(faults.faults) == 10
    assert len(faults.classes) == 6


def test_an_exclusive_or_collapses_nothing() -> None:
    faults = fault_list(wide("XOR", "ab"))
    assert (len(faults.faults), len(faults.classes)) == (6, 6)


def test_c17_has_34_faults_in_22_classes() -> None:
    faults = fault_list(load_netlist(DATA / "c17.bench"))
    assert (len(faults.faults), len(faults.classes)) == (34, 22)


def test_faults_of_a_class_are_listed_together() -> None:
    faults = fault_list(wide("AND", "ab"))
    low = [faults.of_class(int(index)) for index in faults.classes]
    assert sorted(len(alike) for alike in low) == [1, 1, 1, 3]


def test_a_pad_is_one_cell_with_data_enable_and_pin(tmp_path: Path) -> None:
    path = tmp_path / "pad.json"
    path.write_text(
        """{"modules": {"pad": {"ports": {
        "d": {"direction": "input", "bits": [2]}, "e": {"direction": "input", "bits": [3]},
        "io": {"direction": "inout", "bits": [4]}, "y": {"direction": "output", "bits": [5]}},
        "cells": {
        "t": {"type": "$_TBUF_", "connections": {"A": [2], "E": [3], "Y": [4]}},
        "n": {"type": "$_NOT_", "connections": {"A": [4], "Y": [5]}}}}}}""",
        encoding="utf-8",
    )
    faults = fault_list(load_netlist(path))
    named = [(faults.netlist.names[f.net], f.level) for f in faults.faults]
    assert sorted(named) == [(net, level) for net in ("d", "e", "io", "y") for level in (0, 1)]

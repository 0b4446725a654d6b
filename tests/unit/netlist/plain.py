"""Helpers: netlists written by hand, and an evaluator in plain Python to compare with.

The evaluator knows the cells from the Yosys manual ("Internal cell library"), one lane, no
levels: it repeats until nothing changes. It shares nothing with the code under test.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

Bit = int | str
Cell = tuple[str, dict[str, Bit]]

GATES = {
    "$_AND_": lambda a, b: a & b,
    "$_NAND_": lambda a, b: 1 - (a & b),
    "$_OR_": lambda a, b: a | b,
    "$_NOR_": lambda a, b: 1 - (a | b),
    "$_XOR_": lambda a, b: a ^ b,
    "$_XNOR_": lambda a, b: 1 - (a ^ b),
    "$_ANDNOT_": lambda a, b: a & (1 - b),
    "$_ORNOT_": lambda a, b: a | (1 - b),
}
SINGLE = {"$_NOT_": lambda a: 1 - a, "$_BUF_": lambda a: a}


def document(
    ports: Mapping[str, tuple[str, Sequence[Bit]]],
    cells: Sequence[Cell],
    names: Mapping[str, Sequence[Bit]] | None = None,
) -> str:
    """The text of a Yosys JSON file with one module ``top``."""
    module = {
        "ports": {n: {"direction": d, "bits": list(bits)} for n, (d, bits) in ports.items()},
        "cells": {
            f"u{index}": {"type": kind, "connections": {pin: [bit] for pin, bit in pins.items()}}
            for index, (kind, pins) in enumerate(cells)
        },
        "netnames": {name: {"bits": list(bits)} for name, bits in (names or {}).items()},
    }
    return json.dumps({"modules": {"top": module}})


def write(folder: Path, text: str, name: str = "netlist.json") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def evaluate(cells: Sequence[Cell], inputs: Mapping[Bit, int]) -> dict[Bit, int]:
    """Levels of all nets of a combinational netlist."""
    nets: dict[Bit, int] = {"0": 0, "1": 1, "x": 0, "z": 0, **inputs}
    changed = True
    while changed:
        changed = False
        for kind, pins in cells:
            ins = [nets.get(pins[pin], 0) for pin in ("A", "B", "S") if pin in pins]
            if kind == "$_MUX_":
                level = ins[1] if ins[2] else ins[0]
            elif kind in SINGLE:
                level = SINGLE[kind](ins[0])
            else:
                level = GATES[kind](ins[0], ins[1])
            if nets.get(pins["Y"]) != level:
                nets[pins["Y"]] = level
                changed = True
    return nets

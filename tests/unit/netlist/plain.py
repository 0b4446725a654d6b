"""Helpers: netlists written by hand, and an evaluator in plain Python to compare with.

The evaluator knows the cells from the Yosys manual ("Internal cell library"), one lane, no
levels: it repeats until nothing changes. It shares nothing with the code under test.
"""

from __future__ import annotations

import json
import random
import re
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


KINDS = ("AND", "NAND", "OR", "NOR", "XOR", "XNOR", "NOT", "BUFF")


def drawn(seed: int, flops: int = 0, gates: int = 40) -> list[str]:
    """Lines of a random ``.bench`` file: most nets have several readers, some reach no output."""
    rng = random.Random(seed)
    inputs, states = [f"i{k}" for k in range(6)], [f"q{k}" for k in range(flops)]
    nets, lines = [*inputs, *states], [f"INPUT({net})" for net in inputs]
    for index in range(gates):
        kind = rng.choice(KINDS)
        ins = rng.choices(nets, k=1 if kind in {"NOT", "BUFF"} else 2)
        lines.append(f"g{index} = {kind}({', '.join(ins)})")
        nets.append(f"g{index}")
    lines += [f"{state} = DFF({rng.choice(nets)})" for state in states]
    return [*lines, *(f"OUTPUT({net})" for net in rng.sample(nets[-20:], 5))]


def multiplier(bits: int) -> list[str]:
    """Lines of a ``.bench`` file: an array multiplier of adders of nine NOR gates each.

    With 16 bits it is c6288 as M. Hansen, H. Yalcin and J. Hayes found it ("Unveiling the ISCAS-85
    benchmarks", IEEE Design and Test, 1999): a carry-save array and a row that ripples; an adder
    without one of its inputs has inverters where NOR gates would read it. An adder of the array
    reads the product last: of 16 bits 34 faults are then without a test, as the circuit's are known
    to be (from memory); 32 if it reads it first.
    """
    lines = [f"INPUT({name}{k})" for name in "ab" for k in range(bits)]
    lines += [f"OUTPUT(p{k})" for k in range(2 * bits)]

    def nor(*nets: str) -> str:
        out = f"n{len(lines)}"
        read = [net for net in nets if net]
        lines.append(f"{out} = {'NOR' if len(read) == 2 else 'NOT'}({', '.join(read)})")
        return out

    def add(a: str, b: str, c: str) -> tuple[str, str]:
        first = nor(a, b)
        alike = nor(nor(a, first), nor(b, first))
        second = nor(alike, c)
        return nor(nor(alike, second), nor(c, second)), nor(first, second)

    def product(row: int, column: int) -> str:
        out = f"m{row}_{column}"
        lines.append(f"{out} = AND(a{column}, b{row})")
        return out

    sums = [product(0, column) for column in range(bits)]
    carries = [""] * (bits - 1)
    result = [sums[0]]
    for row in range(1, bits):
        new = [product(row, column) for column in range(bits)]
        pairs = [add(sums[k + 1], carries[k], new[k]) for k in range(bits - 1)]
        sums, carries = [*(s for s, _ in pairs), new[-1]], [c for _, c in pairs]
        result.append(sums[0])
    ripple = ""
    for column in range(bits - 1):
        out, ripple = add(sums[column + 1], ripple, carries[column])
        result.append(out)
    alias = {net: f"p{place}" for place, net in enumerate([*result, ripple])}
    return [re.sub(r"\w+", lambda word: alias.get(word[0], word[0]), line) for line in lines]

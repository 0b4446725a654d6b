"""A design's gates as Verilog with one gate changed, drawn by seed; and the same change for us.

The module takes ``+mutant=N``: all mutants of a design are one compilation. It is written here from
the cells of the Yosys manual, not by our reader.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.shuttle import Design

OPERATORS = {
    "$_AND_": "{A} & {B}",
    "$_NAND_": "~({A} & {B})",
    "$_OR_": "{A} | {B}",
    "$_NOR_": "~({A} | {B})",
    "$_XOR_": "{A} ^ {B}",
    "$_XNOR_": "~({A} ^ {B})",
    "$_NOT_": "~{A}",
    "$_BUF_": "{A}",
}
_SINGLE = ("$_NOT_", "$_BUF_")
_FLOP = re.compile(r"\$_DFF_([PN])(?:([PN])([01]))?_")


@dataclass(frozen=True)
class Mutant:
    """Cell ``cell`` is of kind ``kind``; number 0 is the design as it is."""

    number: int
    cell: str = ""
    kind: str = ""


def draw(design: Design, seed: int, count: int) -> list[Mutant]:
    """Draw gates and give each another function of as many inputs."""
    rng = random.Random(f"{design.name} {seed}")
    cells = {name: cell["type"] for name, cell in _module(design)["cells"].items()}
    gates = sorted(name for name, kind in cells.items() if kind in OPERATORS)
    found = []
    for number, name in enumerate(rng.sample(gates, count), 1):
        alike = [k for k in OPERATORS if (k in _SINGLE) == (cells[name] in _SINGLE)]
        found.append(Mutant(number, name, rng.choice([k for k in alike if k != cells[name]])))
    return found


def mutated(design: Design, mutant: Mutant, folder: Path) -> Design:
    """The design with this change in its netlist."""
    module = deepcopy(_module(design))
    if mutant.cell:
        module["cells"][mutant.cell]["type"] = mutant.kind
    path = folder / f"{mutant.number}.json"
    path.write_text(json.dumps({"modules": {design.top: module}}), encoding="utf-8")
    return replace(design, netlist=path)


def in_verilog(design: Design, mutants: Sequence[Mutant], folder: Path) -> Design:
    """The design with its gates, as Verilog, for a source; ``+mutant=N`` chooses the change."""
    path = folder / f"{design.top}_gates.v"
    path.write_text("\n".join(_lines(design.top, _module(design), mutants)) + "\n", "utf-8")
    return replace(design, verilog=(path,))


def _module(design: Design) -> dict[str, Any]:
    assert design.netlist is not None
    found: dict[str, Any] = json.loads(design.netlist.read_text("utf-8"))["modules"][design.top]
    return found


def _lines(top: str, module: dict[str, Any], mutants: Sequence[Mutant]) -> Iterator[str]:
    ports, cells = module["ports"], module["cells"]
    pins = {n: {p: _net(b) for p, (b,) in c["connections"].items()} for n, c in cells.items()}
    released = {
        pins[name]["Y"]: f"{pins[name]['E']} ? {pins[name]['A']} : 1'bz"
        for name, cell in cells.items()
        if cell["type"] == "$_TBUF_"
    }
    heads = [f"{p['direction']} [{len(p['bits']) - 1}:0] {name}" for name, p in ports.items()]
    yield f"module {top} ({', '.join(heads)});"
    yield "  integer mutant = 0;"
    yield '  initial if (!$value$plusargs("mutant=%d", mutant)) mutant = 0;'
    for name, port in ports.items():
        nets = [_net(bit) for bit in port["bits"]]
        if port["direction"] != "output":
            yield from (f"  wire {net} = {name}[{k}];" for k, net in enumerate(nets))
        if port["direction"] != "input":
            driven = ", ".join(released.get(net, net) for net in reversed(nets))
            yield f"  assign {name} = {{{driven}}};"
    written = [
        _cell(cell["type"], pins[name], [m for m in mutants if m.cell == name])
        for name, cell in cells.items()
        if cell["type"] != "$_TBUF_"
    ]
    yield from (declared for declared, _ in written)
    yield from (behaviour for _, behaviour in written)
    yield "endmodule"


def _cell(kind: str, pins: dict[str, str], mutants: Sequence[Mutant]) -> tuple[str, str]:
    """The declaration of a cell's net, and what drives it."""
    flop = _FLOP.fullmatch(kind)
    if flop is None:
        value = OPERATORS[kind].format(**pins)
        for mutant in mutants:
            changed = OPERATORS[mutant.kind].format(**pins)
            value = f"mutant == {mutant.number} ? {changed} : {value}"
        return f"  wire {pins['Y']};", f"  assign {pins['Y']} = {value};"
    edge, active, level = flop.groups()
    clock = f"{'posedge' if edge == 'P' else 'negedge'} {pins['C']}"
    step = f"{pins['Q']} <= {pins['D']};"
    if active:
        clock += f" or {'posedge' if active == 'P' else 'negedge'} {pins['R']}"
        test = pins["R"] if active == "P" else f"!{pins['R']}"
        step = f"if ({test}) {pins['Q']} <= 1'b{level}; else {step}"
    return f"  reg {pins['Q']};", f"  always @({clock}) {step}"


def _net(bit: int | str) -> str:
    return f"n{bit}" if isinstance(bit, int) else f"1'b{bit}"

"""Reads the ``.bench`` netlists in which the ISCAS-85 and ISCAS-89 circuits were published.

The one rule: flops of this format have no clock in the file, so the netlist gets an input port
``clock``; all flops take their data on its rising edge.
"""

from __future__ import annotations

import re

from harness.errors import NetlistError
from harness.netlist.circuit import Circuit
from harness.netlist.model import Flop, Kind, Netlist, Port, PortDirection

_PORT = re.compile(r"(INPUT|OUTPUT)\s*\(\s*([^\s(),=]+)\s*\)$", re.IGNORECASE)
_CELL = re.compile(r"([^\s(),=]+)\s*=\s*(\w+)\s*\(([^()]*)\)$")
_KINDS = {kind.name: kind for kind in Kind} | {
    "NOT": Kind.NAND,
    "INV": Kind.NAND,
    "BUFF": Kind.AND,
    "BUF": Kind.AND,
}
_SINGLE = ("NOT", "INV", "BUFF", "BUF", "DFF")
CLOCK = "clock"


def parse_bench(text: str, where: str, name: str) -> Netlist:
    """Read the text of a ``.bench`` file; ``where`` stands in front of every message."""
    reader = _Reader(Circuit(name, where))
    for number, line in enumerate(text.splitlines(), start=1):
        statement = line.split("#", 1)[0].strip()
        if statement:
            reader.statement(number, statement)
    if reader.wrong:
        raise NetlistError("\n".join(f"{where}:{fault}" for fault in reader.wrong))
    return reader.finish()


class _Reader:
    """Takes in statements one by one, collecting what is wrong."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.registers: list[tuple[int, int]] = []
        self.wrong: list[str] = []

    def statement(self, number: int, statement: str) -> None:
        """Take in a port or a cell."""
        if port := _PORT.match(statement):
            direction = PortDirection(port[1].lower())
            self.circuit.ports.append(Port(port[2], direction, (self._net(port[2]),)))
        elif cell := _CELL.match(statement):
            inputs = [self._net(word.strip()) for word in cell[3].split(",") if word.strip()]
            self._cell(number, cell[2].upper(), inputs, self._net(cell[1]))
        else:
            self.wrong.append(f"{number}: not a port or a gate: {statement[:60]!r}")

    def finish(self) -> Netlist:
        """Add the clock where there are flops, and freeze."""
        if self.registers:
            clock = self.circuit.net(CLOCK)
            self.circuit.ports.append(Port(CLOCK, PortDirection.INPUT, (clock,)))
            self.circuit.flops += [Flop(q, data, clock) for q, data in self.registers]
        return self.circuit.levelise()

    def _net(self, name: str) -> int:
        return self.circuit.known(name, name)

    def _cell(self, number: int, kind: str, inputs: list[int], out: int) -> None:
        if not inputs or (kind in _SINGLE and len(inputs) != 1):
            self.wrong.append(f"{number}: {kind} cannot have {len(inputs)} inputs")
        elif kind == "DFF":
            self.registers.append((out, inputs[0]))
        elif kind not in _KINDS:
            known = ", ".join(sorted([*_KINDS, "DFF"]))
            self.wrong.append(f"{number}: unknown gate {kind}; known are {known}")
        else:
            self.circuit.wide(_KINDS[kind], inputs, out)

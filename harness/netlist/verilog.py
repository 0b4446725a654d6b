"""Reads structural Verilog: gate primitives, ``assign`` of bits, and cells from a definition file.

The one rule: what cannot be represented exactly is refused, with its line. Behaviour (``always``)
is not read: the modules that have it are cells, and a small file says what they are (``cells``).
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from harness.errors import NetlistError
from harness.netlist.cell_files import Cell
from harness.netlist.circuit import Circuit
from harness.netlist.model import HIGH, LOW, Kind, Netlist, Port, PortDirection, nearest

_TOKEN = re.compile(
    r"(?P<skip>\s+|//[^\n]*|/\*.*?\*/|\(\*.*?\*\))|\\(?P<escaped>\S+)"
    r"|(?P<constant>\d+'[bB][01xXzZ])|(?P<word>[A-Za-z_][\w$]*)|(?P<number>\d+)|(?P<sign>.)",
    re.DOTALL,
)
_GATES = {kind.name.lower(): kind for kind in Kind} | {"not": Kind.NAND, "buf": Kind.AND}
_SWITCHES = {"bufif1": 0, "bufif0": 1}
_OPERATORS = (("|", Kind.OR), ("^", Kind.XOR), ("&", Kind.AND))
_CONSTANTS = {"0": LOW, "1": HIGH, "x": LOW, "z": LOW}
_DIRECTIONS = {direction.value: direction for direction in PortDirection}


class _Token(NamedTuple):
    line: int
    kind: str
    text: str


def parse_verilog(
    text: str, where: str, top: str, cells: Mapping[str, Cell], definitions: Path
) -> Netlist:
    """Read module ``top``; ``cells`` are those that the file ``definitions`` has.

    Raises NetlistError with ``where`` in front of everything that is wrong.
    """
    modules = _modules(list(_tokens(text)))
    if top not in modules:
        raise NetlistError(f"{where}: no module is named {top!r}{nearest(top, modules)}")
    reader = _Reader(Circuit(top, f"{where}, module {top}"), cells, definitions)
    for statement in modules[top]:
        try:
            reader.statement(statement)
        except _Unreadable as error:
            reader.wrong.append(f"{where}:{statement[0].line}: {error}")
    if reader.wrong:
        shown, rest = reader.wrong[:10], len(reader.wrong) - 10
        raise NetlistError("\n".join([*shown, *([f"{where}: and {rest} more"] * (rest > 0))]))
    return reader.finish()


class _Unreadable(Exception):
    """A statement that is not structural; the text says why."""


def _tokens(text: str) -> Iterator[_Token]:
    line = 1
    for found in _TOKEN.finditer(text):
        kind = found.lastgroup or "sign"
        if kind != "skip":
            yield _Token(line, kind, found[kind])
        line += found[0].count("\n")


def _modules(tokens: list[_Token]) -> dict[str, list[list[_Token]]]:
    """Statements of each module, the header first; ``begin`` blocks are not taken apart."""
    modules: dict[str, list[list[_Token]]] = {}
    name, statement = "", list[_Token]()
    for token in tokens:
        if token.text == "endmodule" and token.kind == "word":
            name, statement = "", []
        elif token.text == ";" and token.kind == "sign":
            if statement and statement[0].text == "module" and len(statement) > 1:
                name = statement[1].text
                modules[name] = []
            if name and statement:
                modules[name].append(statement)
            statement = []
        else:
            statement.append(token)
    return modules


class _Reader:
    """Takes in statements one by one."""

    def __init__(self, circuit: Circuit, cells: Mapping[str, Cell], definitions: Path) -> None:
        self.circuit = circuit
        self.cells = cells
        self.definitions = definitions
        self.ranges: dict[str, list[str]] = {}
        self.order: list[str] = []
        self.directions: dict[str, PortDirection] = {}
        self.tristate: dict[int, list[tuple[int, int]]] = defaultdict(list)
        self.wrong: list[str] = []

    def statement(self, statement: list[_Token]) -> None:
        """Take in one statement."""
        word = statement[0].text
        if word == "module":
            self._header(statement[2:])
        elif word in _DIRECTIONS or word in {"wire", "tri"}:
            self._declare(statement)
        elif word == "assign":
            self._assign(statement[1:])
        elif word in _GATES or word in _SWITCHES:
            self._gate(word, statement[1:])
        elif word in self.cells:
            self._cell(self.cells[word], statement[1:])
        elif len(statement) > 3 and statement[1].kind in {"word", "escaped"}:
            raise _Unreadable(
                f"{word} is no gate; if it is a flop or latch, say what its pins are in "
                f'{self.definitions.name}: [{word}], kind = "flop", data = "D", clock = "CK", '
                'q = "Q"'
            )
        else:
            raise _Unreadable(f"{word} is not structural; synthesise the design to gates")

    def finish(self) -> Netlist:
        """Add the ports, complete the nets that can float, and freeze."""
        for name in self.order or self.directions:
            direction = self.directions.get(name)
            if direction is None:
                raise NetlistError(f"{self.circuit.where}: port {name} is neither input nor output")
            nets = tuple(self._net(bit) for bit in self.ranges.get(name, [name]))
            self.circuit.ports.append(Port(name, direction, nets))
        self.circuit.pads(self.tristate)
        return self.circuit.levelise()

    def _net(self, name: str) -> int:
        return self.circuit.known(name, name)

    def _header(self, tokens: list[_Token]) -> None:
        """Port names, with or without their directions."""
        inner = [token for token in tokens if token.text not in {"(", ")"} or token.kind != "sign"]
        direction: list[_Token] = []
        for part in _split(inner):
            if part and part[0].text in _DIRECTIONS:
                direction = part[:-1]
            if part:
                self.order.append(part[-1].text)
                if direction:
                    self._declare([*direction, part[-1]])

    def _declare(self, tokens: list[_Token]) -> None:
        """Take in a declaration of ports or wires, each a bit or ``[msb:lsb]``."""
        direction = _DIRECTIONS.get(tokens[0].text)
        rest = [token for token in tokens[1:] if token.text not in {"wire", "tri", "reg"}]
        bits: list[int] = []
        if rest and rest[0].text == "[":
            msb, lsb = int(rest[1].text), int(rest[3].text)
            step = 1 if msb >= lsb else -1
            bits, rest = list(range(lsb, msb + step, step)), rest[5:]
        for part in _split(rest):
            name = part[0].text
            if bits:
                self.ranges[name] = [f"{name}[{bit}]" for bit in bits]
            if direction:
                self.directions[name] = direction
            if len(part) > 2 and part[1].text == "=":
                self._assign(part)

    def _assign(self, tokens: list[_Token]) -> None:
        """``target = expression`` of single bits."""
        for part in _split(tokens):
            equals = next((k for k, token in enumerate(part) if token.text == "="), 0)
            if not equals:
                raise _Unreadable("an assign needs a target and a value")
            value = self._expression(part[equals + 1 :])
            self.circuit.gate(Kind.AND, value, value, self._bit(part[:equals]))

    def _expression(self, tokens: list[_Token]) -> int:
        """Net of an expression with ``~ & ^ |`` and parentheses."""
        for sign, kind in _OPERATORS:
            parts = _split(tokens, sign)
            if len(parts) > 1:
                first, *others = (self._expression(part) for part in parts)
                for other in others:
                    first = self.circuit.gate(kind, first, other)
                return first
        if tokens and tokens[0].text in {"~", "!"} and tokens[0].kind == "sign":
            inner = self._expression(tokens[1:])
            return self.circuit.gate(Kind.NAND, inner, inner)
        if tokens and (tokens[0].text, tokens[-1].text) == ("(", ")"):
            return self._expression(tokens[1:-1])
        return self._bit(tokens)

    def _bit(self, tokens: list[_Token]) -> int:
        """Net of a name, ``name[3]`` or a constant."""
        if len(tokens) == 1 and tokens[0].kind == "constant":
            return _CONSTANTS[tokens[0].text[-1].lower()]
        if not tokens or tokens[0].kind not in {"word", "escaped"}:
            shown = "".join(token.text for token in tokens)[:40]
            raise _Unreadable(f"{shown!r} is not one bit")
        name = tokens[0].text
        if len(tokens) == 4 and (tokens[1].text, tokens[3].text) == ("[", "]"):
            name = f"{name}[{tokens[2].text}]"
        elif len(tokens) > 1 or len(self.ranges.get(name, ())) > 1:
            shown = "".join(token.text for token in tokens)[:40]
            raise _Unreadable(f"{shown!r} is not one bit; write a statement for each")
        return self._net(name)

    def _instances(self, tokens: list[_Token]) -> Iterator[list[list[_Token]]]:
        """Connections of each instance of a statement."""
        for part in _split(tokens):
            start = next((k for k, token in enumerate(part) if token.text == "("), None)
            if start is None or part[-1].text != ")":
                raise _Unreadable("an instance has its connections in parentheses")
            yield _split(part[start + 1 : -1])

    def _gate(self, word: str, tokens: list[_Token]) -> None:
        for pins in self._instances(tokens):
            out, *ins = (self._expression(pin) for pin in pins)
            if word in _SWITCHES and len(ins) == 2:
                enable = ins[1]
                if _SWITCHES[word]:
                    enable = self.circuit.gate(Kind.NAND, enable, enable)
                self.tristate[out].append((ins[0], enable))
            elif word in _SWITCHES or not ins or (word in {"not", "buf"} and len(ins) != 1):
                raise _Unreadable(f"{word} cannot have {len(ins)} inputs")
            else:
                self.circuit.wide(_GATES[word], ins, out)

    def _cell(self, cell: Cell, tokens: list[_Token]) -> None:
        for connections in self._instances(tokens):
            nets: dict[str, int] = {}
            for pin in connections:
                if len(pin) < 4 or pin[0].text != ".":
                    raise _Unreadable("the pins of a cell are connected by name: .D(net)")
                if pin[3:-1]:
                    nets[pin[1].text] = self._expression(pin[3:-1])
            unknown = [name for name in nets if name not in cell.pins().values()]
            missing = [pin for what, pin in cell.pins().items() if what in {"data", "clock"}]
            missing = [pin for pin in missing if pin not in nets]
            if unknown or missing:
                problems = [f"pin {pin} is not in {self.definitions.name}" for pin in unknown]
                problems += [f"pin {pin} is not connected" for pin in missing]
                raise _Unreadable("; ".join(problems))
            cell.place(self.circuit, nets)


def _split(tokens: list[_Token], sign: str = ",") -> list[list[_Token]]:
    """Cut at a sign that stands in no parentheses."""
    parts: list[list[_Token]] = [[]]
    depth = 0
    for token in tokens:
        if token.kind == "sign":
            depth += (token.text in "([{") - (token.text in ")]}")
        if token.kind == "sign" and token.text == sign and not depth:
            parts.append([])
        else:
            parts[-1].append(token)
    return parts

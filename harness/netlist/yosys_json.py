"""Reads the JSON that Yosys writes into a :class:`Netlist`.

The one rule: what cannot be represented exactly is refused, with every cell that is at fault.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.door import MAX_NETLIST_BYTES, read_file
from harness.errors import FileUnusable, Location, NetlistError
from harness.netlist.circuit import Circuit
from harness.netlist.model import HIGH, LOW, Flop, Kind, Netlist, Port, PortDirection, nearest

_PLAIN = {f"$_{kind.name}_": kind for kind in Kind}
_DFF = re.compile(r"\$_DFF_([PN])(?:([PN])([01]))?_$")
_LATCH = re.compile(r"\$_DLATCH_([PN])(?:([PN])([01]))?_$")
_ODD = (KeyError, IndexError, TypeError, AttributeError, ValueError, RecursionError)
"""What a file that is not of this kind may lead to while it is taken apart."""
_BOTH = re.compile(r"\$_(DFFSR|DLATCHSR)_([PN])([PN])([PN])_$")


def load_json(path: Path, top: str) -> Netlist:
    """Read module ``top`` of a Yosys JSON file (flat, technology-mapped to simple gates).

    Undefined constants (``x``, ``z``) are read as 0. Raises NetlistError that names the file and
    everything found wrong: no such file or module, cells that are not simple gates or flops,
    missing connections, nets with two drivers or none, loops of gates.
    """
    module = _module(path, top)
    reader = _Reader(Circuit(top, f"{Location(path)}, module {top}"))
    try:
        reader.read(module)
        return reader.finish()
    except _ODD as error:
        raise _no_netlist(path, f"{type(error).__name__} {error}") from error


def _module(path: Path, top: str) -> Mapping[str, Any]:
    """Find one module's entry in a file."""
    try:
        modules = json.loads(read_file(path, MAX_NETLIST_BYTES))["modules"]
    except FileUnusable as error:
        raise NetlistError(f"{Location(path)}: {error.finding.message}") from error
    except _ODD as error:
        raise _no_netlist(path, str(error)) from error
    if not isinstance(modules, dict):
        raise _no_netlist(path, "its modules have no names")
    if top not in modules:
        raise NetlistError(f"{Location(path)}: no module is named {top!r}{nearest(top, modules)}")
    module: Mapping[str, Any] = modules[top]
    return module


def _no_netlist(path: Path, why: str) -> NetlistError:
    text = " ".join(why.split())
    return NetlistError(f"{Location(path)}: not the JSON of a Yosys netlist: {text}")


class _Reader:
    """Turns one module's entry into a circuit, collecting what is wrong."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.circuit.keys |= {"0": LOW, "1": HIGH, "x": LOW, "z": LOW}
        self.tristate: dict[int, list[tuple[int, int]]] = defaultdict(list)
        self.wrong: list[str] = []

    def read(self, module: Mapping[str, Any]) -> None:
        """Take in names, ports and cells."""
        ports = module["ports"]
        for name, entry in [*ports.items(), *module.get("netnames", {}).items()]:
            self._name(name, entry)
        for name, entry in ports.items():
            direction = PortDirection(entry["direction"])
            nets = tuple(self._net(bit) for bit in entry["bits"])
            self.circuit.ports.append(Port(name, direction, nets))
        for name, cell in module["cells"].items():
            self._cell(name, cell["type"], cell["connections"])

    def finish(self) -> Netlist:
        """Complete the nets that can float, and freeze."""
        if self.wrong:
            shown = self.wrong[:10]
            rest = len(self.wrong) - len(shown)
            more = [f"and {rest} more"] if rest else []
            raise NetlistError("\n".join(f"{self.circuit.where}: {w}" for w in [*shown, *more]))
        self.circuit.pads(self.tristate)
        return self.circuit.levelise()

    def _name(self, name: str, entry: Mapping[str, Any]) -> None:
        """Give the bits of a signal their names: ``q[2]``, or ``q`` for a single bit."""
        bits: Sequence[int | str] = entry["bits"]
        offset, upto = entry.get("offset", 0), entry.get("upto", 0)
        hidden = bool(entry.get("hide_name", 0))
        if not hidden and isinstance(entry.get("src"), str):
            self.circuit.declared[name] = entry["src"]
        for index, bit in enumerate(bits):
            place = offset + (len(bits) - 1 - index if upto else index)
            label = name if len(bits) == 1 else f"{name}[{place}]"
            net = self._net(bit, "" if hidden else label)
            if net > HIGH and not hidden:
                self.circuit.aliases.setdefault(label, net)

    def _net(self, bit: int | str, name: str = "") -> int:
        """Find the net with this bit in the file; it is added when it is new."""
        return self.circuit.known(bit, name or f"${bit}")

    def _cell(self, name: str, kind: str, connections: Mapping[str, list[int | str]]) -> None:
        """Add one cell to the circuit."""
        pins = {pin: self._net(bits[0]) for pin, bits in connections.items()}
        try:
            if not self._gate(kind, pins) and not self._flop(kind, pins):
                self.wrong.append(f"cell {name} is a {kind}, which is not a simple gate or flop")
        except KeyError as error:
            self.wrong.append(f"cell {name} ({kind}) has no connection {error.args[0]}")

    def _gate(self, kind: str, pins: Mapping[str, int]) -> bool:
        """Add a gate, multiplexer or tri-state buffer; False if the cell is another."""
        add = self.circuit.gate
        match kind:
            case "$_NOT_":
                add(Kind.NAND, pins["A"], pins["A"], pins["Y"])
            case "$_BUF_":
                add(Kind.AND, pins["A"], pins["A"], pins["Y"])
            case "$_ANDNOT_" | "$_ORNOT_":
                inverted = add(Kind.NAND, pins["B"], pins["B"])
                base = Kind.AND if kind == "$_ANDNOT_" else Kind.OR
                add(base, pins["A"], inverted, pins["Y"])
            case "$_MUX_":
                self.circuit.choose(pins["S"], pins["A"], pins["B"], pins["Y"])
            case "$_TBUF_":
                self.tristate[pins["Y"]].append((pins["A"], pins["E"]))
            case _ if kind in _PLAIN:
                add(_PLAIN[kind], pins["A"], pins["B"], pins["Y"])
            case _:
                return False
        return True

    def _flop(self, kind: str, pins: Mapping[str, int]) -> bool:
        """Add a flop or latch; False if the cell is another."""
        if found := _DFF.match(kind):
            flop = Flop(pins["Q"], pins["D"], pins["C"], int(found[1] == "N"))
        elif found := _LATCH.match(kind):
            flop = Flop(pins["Q"], pins["D"], pins["E"], int(found[1] == "N"), latch=1)
        elif found := _BOTH.match(kind):
            latch = int(found[1] == "DLATCHSR")
            clock = pins["E" if latch else "C"]
            flop = Flop(pins["Q"], pins["D"], clock, int(found[2] == "N"), latch)
            flop = flop._replace(set_=pins["S"], set_low=int(found[3] == "N"))
            self.circuit.flops.append(
                flop._replace(clear=pins["R"], clear_low=int(found[4] == "N"))
            )
            return True
        else:
            return False
        low = int(found[2] == "N")
        if found[3] == "0":
            flop = flop._replace(clear=pins["R"], clear_low=low)
        elif found[3] == "1":
            flop = flop._replace(set_=pins["R"], set_low=low)
        self.circuit.flops.append(flop)
        return True

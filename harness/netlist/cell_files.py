"""Flops and latches of other people's libraries, as a small TOML file says what they are.

The one rule: a cell is what the file says and nothing is guessed from names. One section a cell,
one key for each of its pins, ``!`` before a pin that counts inverted::

    [fflopd]
    kind = "flop"        # or "latch", whose clock is its enable
    data = "D"
    clock = "CK"         # "!CK": the falling edge
    q = "Q"
    # and, where the cell has them: qn, set, clear ("!RN": active low; clear wins)
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, is_inside, is_there, read_file
from harness.errors import FileUnusable, Location, NetlistError
from harness.netlist.circuit import Circuit
from harness.netlist.model import LOW, Flop, Kind, nearest

_KINDS = ("flop", "latch")
_NEEDED = ("data", "clock", "q")


@dataclass(frozen=True)
class Cell:
    """A flop or latch: names of its pins; "" where it has none."""

    kind: str
    data: str
    clock: str
    q: str
    qn: str = ""
    set: str = ""
    clear: str = ""

    def pins(self) -> dict[str, str]:
        """Give the names of the pins without the sign of inversion, by what they are for."""
        named = {f.name: getattr(self, f.name).lstrip("!") for f in fields(self)}
        return {what: pin for what, pin in named.items() if pin and what != "kind"}

    def place(self, circuit: Circuit, nets: Mapping[str, int]) -> None:
        """Add one of these to a circuit; ``nets`` by pin, those of absent pins left out."""
        q = nets.get(self.q)
        q = circuit.net() if q is None else q
        circuit.flops.append(
            Flop(
                q,
                nets[self.data],
                nets[self.clock.lstrip("!")],
                int(self.clock.startswith("!")),
                int(self.kind == "latch"),
                nets.get(self.set.lstrip("!"), LOW),
                int(self.set.startswith("!")),
                nets.get(self.clear.lstrip("!"), LOW),
                int(self.clear.startswith("!")),
            )
        )
        if self.qn in nets:
            circuit.gate(Kind.NAND, q, q, nets[self.qn])


def cells_file(netlist: Path) -> Path:
    """Where the cells of a netlist are defined: ``adder.v`` has them in ``adder.cells.toml``."""
    return netlist.with_suffix(".cells.toml")


def load_cells(path: Path) -> dict[str, Cell]:
    """Read definitions; none if there is no such file.

    Raises NetlistError with everything that is wrong in it.
    """
    if not is_there(path):
        return {}
    if not is_inside(path, path.parent):
        raise NetlistError(f"{Location(path)}: leads out of its folder; put the file itself there")
    try:
        document = tomllib.loads(read_file(path, MAX_SETTINGS_BYTES).decode("utf-8"))
    except FileUnusable as error:
        raise NetlistError(f"{Location(path)}: {error.finding.message}") from error
    except (ValueError, RecursionError) as error:
        raise NetlistError(f"{Location(path)}: not TOML: {error}") from error
    wrong = [fault for name, entry in document.items() for fault in _wrong(name, entry)]
    if wrong:
        raise NetlistError("\n".join(f"{Location(path)}: {fault}" for fault in wrong))
    return {name: Cell(**entry) for name, entry in document.items()}


def _wrong(name: str, entry: object) -> list[str]:
    """Say what is wrong with one section."""
    if not isinstance(entry, dict):
        return [f"{name} stands outside of a section; write [CELL] above it"]
    known = [f.name for f in fields(Cell)]
    wrong = [f"[{name}] has no key {key}" for key in ("kind", *_NEEDED) if key not in entry]
    wrong += [
        f"[{name}] has the unknown key {key}{nearest(key, known)}"
        for key in entry
        if key not in known
    ]
    wrong += [
        f"[{name}] {key} must be the name of a pin"
        for key, pin in entry.items()
        if key in known and not (isinstance(pin, str) and pin.lstrip("!"))
    ]
    if "kind" in entry and entry["kind"] not in _KINDS:
        wrong.append(f"[{name}] kind must be flop or latch")
    return wrong

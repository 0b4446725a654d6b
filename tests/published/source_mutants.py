"""A design's Verilog source with one change, drawn by seed: as an author errs, not as a gate does.

All mutants of a design are one compilation: a copy of its modules for each, and a module of the
design's own ports that shows the outputs of the copy that ``+mutant=N`` names.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from harness.shuttle import Bus, Design, Direction

_HIDDEN = re.compile(r'//[^\n]*|/\*.*?\*/|"[^"]*"|\[[^]]*\]|\bmodule\b.*?;', re.DOTALL)
"""Comments, texts, widths and ports, in which nothing is changed."""
_SITE = re.compile(
    r"(?P<constant>(?P<bits>\d+)'(?P<base>[bdh])(?P<digits>[0-9a-fA-F]+))"
    r"|(?P<edge>posedge|negedge)"
    r"|(?P<operator>&&|\|\||[=!]=|[<>]=|~[&|^]|[-+&|^~!<>])"
)
_RESET = re.compile(r"if \(!?(?:rst|clr)_n\)\s*(?:begin.*?\bend\b|[^;]*;)", re.DOTALL)
_OPERATORS = {
    "&&": ("||",), "||": ("&&",), "==": ("!=",), "!=": ("==",), "<": (">",), ">": ("<",),
    "&": ("|", "^"), "|": ("&", "^"), "^": ("&", "|"), "+": ("-", "|"), "-": ("+", "^"),
    "~": ("",), "!": ("",), "~|": ("|", "~&"), "~&": ("&", "~|"),
}  # fmt: skip
_EDGES = {"posedge": "negedge", "negedge": "posedge"}
_BASES = {"b": 2, "d": 10, "h": 16}


@dataclass(frozen=True)
class SourceMutant:
    """A whole source with one change, which ``change`` describes; number 0 has none."""

    number: int
    text: str
    kind: str = ""
    change: str = ""

    def alone(self, design: Design, folder: Path) -> Design:
        """The design with this source and without a netlist."""
        path = folder / f"{design.top}_{self.number}.v"
        path.write_text(self.text, "utf-8")
        return replace(design, verilog=(path,), netlist=None)


def draw(design: Design, seed: int) -> Iterator[SourceMutant]:
    """Yield the source, then mutants of it: a kind of change after the other, each in any order."""
    text = _source(design)
    yield SourceMutant(0, text)
    kinds: dict[str, list[tuple[slice, str]]] = {}
    for kind, place, new in _changes(text):
        kinds.setdefault(kind, []).append((place, new))
    chance = random.Random(f"{design.name} {seed}")
    for found in kinds.values():
        chance.shuffle(found)
    number = 0
    while any(kinds.values()):
        for kind in [kind for kind in kinds if kinds[kind]]:
            place, new = kinds[kind].pop()
            number += 1
            line, old = text.count("\n", 0, place.start) + 1, text[place]
            changed = text[: place.start] + new + text[place.stop :]
            yield SourceMutant(number, changed, kind, f"line {line}: {old!r} becomes {new!r}")


def _changes(text: str) -> Iterator[tuple[str, slice, str]]:
    """Every change: its kind, where it is, and what stands there then."""
    plain = _HIDDEN.sub(lambda match: " " * len(match[0]), text)
    resets = [match.span() for match in _RESET.finditer(plain)]
    for site in _SITE.finditer(plain):
        place = slice(*site.span())
        for new in _OPERATORS.get(site["operator"] or "", ()):
            yield "operator", place, new
        if site["edge"]:
            yield "edge", place, _EDGES[site["edge"]]
        if site["constant"]:
            value = int(site["digits"], _BASES[site["base"]])
            inside = any(start <= place.start < stop for start, stop in resets)
            for bit in range(int(site["bits"])):
                other = f"{site['bits']}'h{value ^ 1 << bit:x}"
                yield "reset value" if inside else "constant", place, other


def in_one_source(design: Design, mutants: Sequence[SourceMutant], folder: Path) -> Design:
    """The design with all mutants as its source; ``+mutant=N`` chooses one."""
    path = folder / f"{design.top}_mutants.v"
    copies = [_renamed(mutant) for mutant in mutants]
    path.write_text("\n".join([*copies, *_chooser(design, mutants)]) + "\n", "utf-8")
    return replace(design, verilog=(path,))


def _source(design: Design) -> str:
    (path,) = design.verilog
    return path.read_text("utf-8")


def _renamed(mutant: SourceMutant) -> str:
    modules = re.findall(r"^module (\w+)", mutant.text, re.MULTILINE)
    return re.sub(rf"\b({'|'.join(modules)})\b", rf"\1_{mutant.number}", mutant.text)


def _chooser(design: Design, mutants: Sequence[SourceMutant]) -> Iterator[str]:
    outputs = [bus for bus in design.signals if bus.direction is Direction.OUTPUT]
    assert all(bus.direction is not Direction.BIDIRECTIONAL for bus in design.signals)
    ports = (f"{'output' if bus in outputs else 'input'} {_wide(bus)}" for bus in design.signals)
    yield f"module {design.top} ({', '.join(ports)});"
    yield "  integer mutant = 0;"
    yield '  initial if (!$value$plusargs("mutant=%d", mutant)) mutant = 0;'
    for mutant in mutants:
        yield from (f"  wire {_wide(bus, mutant)};" for bus in outputs)
        names = {bus.name: f"{bus.name}_{mutant.number}" for bus in outputs}
        joined = (f".{bus.name}({names.get(bus.name, bus.name)})" for bus in design.signals)
        yield f"  {design.top}_{mutant.number} copy_{mutant.number} ({', '.join(joined)});"
    for bus in outputs:
        chosen = "".join(f"mutant == {m.number} ? {bus.name}_{m.number} : " for m in mutants[1:])
        yield f"  assign {bus.name} = {chosen}{bus.name}_0;"
    yield "endmodule"


def _wide(bus: Bus, mutant: SourceMutant | None = None) -> str:
    return f"[{bus.width - 1}:0] {bus.name}{f'_{mutant.number}' if mutant else ''}"

"""What a Verilog top module shows outside: its ports, what clocks and resets it, what it lacks.

The one rule: a port's role is read from what the source does with it; names are the readers'.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.netlist.model import PortDirection
from harness.netlist.yosys import Progress, Step, module_name, quiet, run_yosys

_CLOCKS = ("CLK", "WR_CLK", "RD_CLK")
_RESETS = ("ARST", "SRST", "CLR", "SET")
_INVERTERS = ("$not", "$logic_not", "$_NOT_")

Net = int | str


@dataclass(frozen=True)
class SourcePort:
    """A port of the top module. ``width`` in bits, ``flops`` the number of flop bits it clocks.

    ``resets`` is the level (0 or 1) at which it sets or clears flops, None if it resets nothing.
    """

    name: str
    direction: PortDirection
    width: int
    flops: int = 0
    resets: int | None = None


@dataclass(frozen=True)
class Box:
    """An instance of a module that no file defines: its name in the top module, and its pins."""

    module: str
    cell: str
    pins: tuple[str, ...]


@dataclass(frozen=True)
class Source:
    """A top module: its ports in the order of the source, and what it lacks.

    ``released`` are its bidirectional ports that it never drives.
    """

    top: str
    ports: tuple[SourcePort, ...]
    boxes: tuple[Box, ...]
    released: tuple[str, ...]


def read_source(
    verilog: Sequence[Path], top: str = "", progress: Progress = quiet, within: Path | None = None
) -> Source:
    """Read the top module of Verilog files; without ``top`` the one that no other one uses.

    Raises NetlistError as :func:`harness.netlist.yosys.run_yosys` does.
    """
    chosen = f"-top {module_name(top)}" if top else "-auto-top"
    commands = ("proc", "flatten", "opt_expr", "opt_dff", "opt_clean")
    steps = [Step("looking at ports and clocks", (f"hierarchy {chosen}", *commands))]
    what = f"read {top or 'a top module'} in {verilog[0].parent}"
    modules = run_yosys(verilog, steps, what, progress, within)["modules"]
    name = top or next(name for name, one in modules.items() if "top" in one["attributes"])
    module = modules[name]
    roles = _Roles(module)
    ports = (
        SourcePort(
            port,
            PortDirection(entry["direction"]),
            len(entry["bits"]),
            roles.flops.get(entry["bits"][0], 0),
            roles.resets.get(entry["bits"][0]),
        )
        for port, entry in module["ports"].items()
    )
    return Source(name, tuple(ports), tuple(_boxes(module)), tuple(_released(module)))


def obstacles(source: Source) -> Iterator[str]:
    """Say what of a top module no synthesis can build, and what to do, a line each."""
    for name in source.released:
        yield (
            f"{source.top} never drives its inout {name}, which reads as nothing then; declare it "
            "as input, or drive it under a condition: `assign io = enable ? level : 1'bz;`"
        )
    first = {box.module: box for box in reversed(source.boxes)}
    for name, box in sorted(first.items()):
        uses = sum(other.module == name for other in source.boxes)
        more = f" and {uses - 1} more" if uses > 1 else ""
        pins = f" with the pins {', '.join(box.pins)}" if box.pins else ""
        yield (
            f"{source.top} uses the module {name} (as {box.cell}{more}){pins}, which no file "
            "defines; add its file to verilog in design.toml, or define it there: a flip-flop is "
            "`module NAME(input C, input D, output reg Q); always @(posedge C) Q <= D; endmodule`"
        )


def _boxes(module: Mapping[str, Any]) -> Iterator[Box]:
    """Instances that are left when everything known is put in: yosys's own types begin with $."""
    for name, cell in module["cells"].items():
        if not cell["type"].startswith("$"):
            pins = (pin for pin in cell["connections"] if not pin.startswith("$"))  # $1: by place
            yield Box(cell["type"], name, tuple(pins))


def _released(module: Mapping[str, Any]) -> Iterator[str]:
    for name, port in module["ports"].items():
        if port["direction"] == PortDirection.INOUT and "z" in port["bits"]:
            yield name


class _Roles:
    """Which nets clock and which reset flops, inverters on the way included."""

    def __init__(self, module: Mapping[str, Any]) -> None:
        cells = module["cells"].values()
        self.inverted: dict[Net, Net] = {
            cell["connections"]["Y"][0]: cell["connections"]["A"][0]
            for cell in cells
            if cell["type"] in _INVERTERS and len(cell["connections"]["A"]) == 1
        }
        self.flops: dict[Net, int] = {}
        self.resets: dict[Net, int] = {}
        for cell in cells:
            self._cell(cell["connections"], cell.get("parameters", {}))

    def _cell(self, pins: Mapping[str, list[Net]], parameters: Mapping[str, str]) -> None:
        bits = len(pins.get("Q", pins.get("DATA", [0])))
        for pin in _CLOCKS:
            for net in set(pins.get(pin, ())):
                source, _ = self._origin(net, 1)
                self.flops[source] = self.flops.get(source, 0) + bits
        for pin in _RESETS:
            for net in set(pins.get(pin, ())):
                level = int(parameters.get(f"{pin}_POLARITY", "1")[-1])
                source, level = self._origin(net, level)
                self.resets.setdefault(source, level)

    def _origin(self, net: Net, level: int) -> tuple[Net, int]:
        """Follow inverters back to what drives them, and the level there."""
        seen = set[Net]()
        while net in self.inverted and net not in seen:
            seen.add(net)
            net, level = self.inverted[net], 1 - level
        return net, level

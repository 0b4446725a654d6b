"""Netlists for authors of designs: make one from Verilog, and list what is in it.

One rule: what is written is exactly the file that a design.toml names under ``netlist``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.convert import write_file
from harness.door import is_file, is_inside, whole_path
from harness.errors import ConfigError, Findings
from harness.grouping import grouped
from harness.jobs.choices import SHUTTLE
from harness.jobs.find import design_file, netlist_of, open_design
from harness.jobs.first_start import compiling_beside
from harness.netlist import Netlist, PortDirection, Progress, load_netlist, pin_map, quiet
from harness.netlist import synthesise as synthesised
from harness.shuttle import Design, Shuttle, TomlTable, existing_file, read_toml, take_top


@dataclass(frozen=True)
class MadeNetlist:
    """A netlist that was written: design, shuttle's file, netlist's file, and its size."""

    design: str
    shuttle: Path
    path: Path
    gates: int
    flops: int


@dataclass(frozen=True)
class Net:
    """A net of a design's netlist.

    ``names`` are all that the source gives it, ``driver`` what drives it (``input``, ``gate``,
    ``flop``, ``pad`` for a pin that the design drives or releases), ``pins`` the chip pins where it
    can be seen or driven.
    """

    names: tuple[str, ...]
    driver: str
    pins: tuple[str, ...]


def make_netlist(
    design: str | Path, shuttle: str | Path = SHUTTLE, progress: Progress = quiet
) -> MadeNetlist:
    """Synthesise a design's Verilog and write the netlist file that its ``design.toml`` names.

    ``design`` is its name, folder or ``design.toml``. Raises ConfigError for a file
    that lacks ``verilog`` or ``netlist`` or names a place outside of its folder, NetlistError when
    synthesis fails. Nothing is written on an error.
    """
    path = design_file(design, shuttle)
    findings = Findings()
    file = read_toml(path, findings)
    top, verilog, target = _wanted(file, findings) if file is not None else ("", (), path)
    if findings.errors:
        raise ConfigError(findings.items)
    with compiling_beside(progress) as step:
        text = synthesised(verilog, top, step, _within(path))
    write_file(target, [text.encode("utf-8")])
    netlist = load_netlist(target, top)
    shuttle = path.parent.parent / SHUTTLE
    return MadeNetlist(path.parent.name, shuttle, target, netlist.gate_count, netlist.flop_count)


def _within(design: Path) -> Path:
    """Return the folder in which a design.toml may name files: that of its shuttle, or its own."""
    folder = whole_path(design).parent
    return folder.parent if is_file(folder.parent / SHUTTLE) else folder


def _wanted(file: TomlTable, findings: Findings) -> tuple[str, tuple[Path, ...], Path]:
    """Read the top module, the Verilog files and where the netlist goes."""
    folder, within = file.path.parent, _within(file.path)
    verilog = tuple(
        existing_file(file, "verilog", name, within, k)
        for k, name in enumerate(file.strings("verilog"))
    )
    name = file.text("netlist") if "netlist" in file else ""
    target = folder / name
    if not name:
        message = 'this file has no "netlist", so there is no place to write it'
        advice = 'add netlist = "netlist.json" before [signals]'
        findings.error("missing-key", file.location(), message, advice)
    elif not is_inside(target, folder):
        message = f'"{name}" leads out of the design\'s folder'
        findings.error("outside-folder", file.location("netlist"), message, "correct netlist")
    elif target.suffix != ".json":
        message = f'"{name}" is no JSON file, and synthesis writes JSON'
        advice = "name a file that ends in .json"
        findings.error("unknown-file-kind", file.location("netlist"), message, advice)
    return take_top(file, file.text("name")), verilog, target


def list_nets(design: str, shuttle: str | Path = SHUTTLE, match: str = "") -> tuple[Net, ...]:
    """Return the nets of a design's netlist that a defect can be put on, by name.

    ``match``: only those with this text in one of their names (of any case). Raises ConfigError
    for a shuttle that cannot be read and a design that it lacks or that has no netlist,
    NetlistError for a netlist that cannot be used.
    """
    known, chosen = open_design(design, shuttle)
    netlist = load_netlist(netlist_of(chosen), chosen.top)
    nets = list(_nets(netlist, chosen, known))
    return tuple(
        net for net in nets if any(match.casefold() in name.casefold() for name in net.names)
    )


def _nets(netlist: Netlist, design: Design, shuttle: Shuttle) -> Iterator[Net]:
    named = sorted(netlist.nets_by_name.items())
    names = grouped((net, name) for name, net in named if not name.startswith("$"))
    pins = grouped((pin.net, shuttle.pins[pin.bit].name) for pin in pin_map(netlist, design))
    drivers = dict.fromkeys(netlist.gate_by_output, "gate")
    drivers |= dict.fromkeys(netlist.tables.q.tolist(), "flop")
    drivers |= dict.fromkeys(netlist.tristates, "pad")
    for port in netlist.ports:
        if port.direction is PortDirection.INPUT:
            drivers |= dict.fromkeys(port.nets, "input")
    for net, known in names.items():
        if net in drivers:
            yield Net(tuple(known), drivers[net], tuple(pins.get(net, ())))

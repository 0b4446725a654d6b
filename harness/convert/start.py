"""The first text of the files that an author writes: shuttle, board profile, design, table.

One rule: what the tool cannot know is marked ``edit``, and what it does know is right as
``harness check`` sees it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from harness.convert.draft import Draft, DraftRow
from harness.convert.ports import KEYWORDS, PlacedPort, Proposal
from harness.netlist import PortDirection
from harness.shuttle import Direction, Shuttle, toml_text

SHUTTLE_TEXT = """\
# The chip. Every key: vectors/README.md of the tool, "shuttle.toml". Edit what is marked.
name = "My shuttle"              # edit
organisation = "My club"         # edit
chip_serial = "CHIP-[0-9]{4}"    # edit: a pattern (RE2) for a whole serial number
designs = []                     # folders beside this file; `harness new DESIGN` adds its own

[pins]                           # edit: every chip pin that designs or selection use, at most 32
inputs = ["in0..in8"]
outputs = ["out0..out8"]
bidirectional = ["io0..io3"]
clock = "clk"
reset = { pin = "nreset", active = "low" }
select = ["seld", "selc"]        # the pins that select a design
"""

BOARD_NAME = "My board"
SOURCE = "where the behaviour is specified"
PLACEHOLDERS = ("My shuttle", "My club", BOARD_NAME, SOURCE)
"""Texts that no author means to keep."""

FIRST = "first"
"""Name of a new design's table."""


def new_files(
    name: str, proposal: Proposal, verilog: Sequence[str], address: int
) -> dict[str, str]:
    """Return the start of ``design.toml`` and of its table; ``verilog`` are paths beside them."""
    settings = "".join(f"{line}\n" for line in _design(name, proposal, verilog, address))
    return {"design.toml": settings, f"{FIRST}.csv": _head(name, proposal).text}


def board_text(shuttle: Shuttle) -> str:
    """Return the start of a board profile for a shuttle, with every chip pin in it."""
    return "".join(f"{line}\n" for line in _board(shuttle))


def _board(shuttle: Shuttle) -> Iterator[str]:
    yield '# A kind of board. Every key: ci/README.md of the tool, "Board profile". Edit what is'
    yield "# marked."
    yield f'name = "{BOARD_NAME}"                # edit'
    yield 'controller = "RP2040"            # edit'
    yield 'backend = "generic"              # any board; "sio", "rp2": RP2040, RP2350'
    yield ""
    yield "[pins]                           # edit: chip pin = controller pin (GPIO number)"
    for number, pin in enumerate(shuttle.pins):
        yield f"{pin.name} = {number}"
    yield ""
    select = [pin.name for pin in shuttle.pins if pin.direction is Direction.SELECT]
    yield "[select]                         # edit: how the chip selects a design"
    if len(select) == 2:
        bits = max(5, *(design.address.bit_length() for design in shuttle.designs), 0)
        yield 'method = "shift"                 # the address goes into a register, MSB first'
        yield from toml_text({"data": select[0], "clock": select[1], "bits": bits}).splitlines()
    else:
        yield 'method = "parallel"              # the address is on these pins, MSB first'
        yield from toml_text({"pins": select}).splitlines()


def _design(name: str, proposal: Proposal, verilog: Sequence[str], address: int) -> Iterator[str]:
    remarks = {
        "title": "edit: one line for reports",
        "address": "edit: the shuttle's organiser assigns it; this one is free",
        "source": "edit",
        "clock_hz": "edit: the rate that the design is specified for",
        "netlist": f"made by `harness netlist {name}`",
    }
    values = {
        "name": name,
        "title": name,
        "address": address,
        "source": SOURCE,
        "clock_hz": 1_000_000,
        "top": proposal.source.top,
        "verilog": list(verilog),
        "netlist": "netlist.json",
    }
    yield '# Every key: vectors/README.md of the tool, "design.toml". Edit what is marked.'
    for key, value in values.items():
        line = toml_text({key: value}).rstrip("\n")
        yield f"{line:<32} # {remarks[key]}" if key in remarks else line
    yield ""
    yield "[signals]                        # Verilog port = chip pins, the most significant first"
    for placed in proposal.ports:
        yield toml_text({placed.name: _pins(placed)}).rstrip("\n")
    yield ""
    yield f"[tables.{FIRST}]"
    yield f'file = "{FIRST}.csv"'
    if not (proposal.reset and proposal.on_reset_pin):
        yield "reset_cycles = 0                 # the chip's reset pin does not reset this design"


def _pins(placed: PlacedPort) -> object:
    parts = list(placed.ranges)
    pins: object = parts[0] if len(parts) == 1 else parts
    if not placed.one_way:
        return pins
    return {"pins": pins, "direction": placed.port.direction.value}


def _head(name: str, proposal: Proposal) -> Draft:
    """Return the head of a new design's table: all signals, a reset and a clock, nothing tested."""
    order = {proposal.clock: 0, proposal.reset: 1}
    kinds = (PortDirection.INPUT, PortDirection.INOUT, PortDirection.OUTPUT)
    ports = sorted(
        proposal.ports,
        key=lambda placed: (order.get(placed.port.name, 2), kinds.index(placed.port.direction)),
    )
    still = {p.name: "0" for p in ports if p.port.direction is PortDirection.INPUT}
    if proposal.clock:
        still[proposal.clock] = "C"
    rows = [DraftRow(still, note="drive the inputs and write what the outputs show then")]
    if proposal.reset:
        active = {**still, proposal.reset: str(proposal.active)}
        idle = {**still, proposal.reset: str(1 - proposal.active)}
        rows = [
            DraftRow(active, repeat=2, label="reset"),
            DraftRow(idle, note=rows[0].note),
        ]
    remarks = (
        f"{name}: a row is a cycle. C pulses the clock; outputs are tested after it.",
        "Under an output write H or L, or a number on a bus; an empty cell is not tested.",
    )
    return Draft(tuple(placed.name for placed in ports), tuple(rows), remarks)


_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_$]*")


def wrapper_text(proposal: Proposal) -> str:
    """Return a Verilog module that connects the ports that fit and ties or opens the others."""
    shown = [placed for placed in proposal.ports if placed.pins]
    declared = ",\n".join(f"  {_declared(placed)}" for placed in shown)
    joined = "\n".join(_connected(proposal.ports))
    return (
        f"// {proposal.source.top} with the ports that this chip has pins for; edit it\n"
        f"module {proposal.wrapper_name} (\n{declared}\n);\n"
        f"  {_escaped(proposal.source.top)} inner (\n{joined}\n  );\nendmodule\n"
    )


def _declared(placed: PlacedPort) -> str:
    width = f"[{placed.port.width - 1}:0] " if placed.port.width > 1 else ""
    return f"{placed.port.direction:<6} wire {width}{placed.name}"


def _connected(ports: Sequence[PlacedPort]) -> Iterator[str]:
    for number, placed in enumerate(ports):
        comma = "," if number < len(ports) - 1 else ""
        to, remark = placed.name, ""
        if not placed.pins:
            width = placed.port.width
            tied = placed.port.direction is PortDirection.INPUT
            to = f"{width}'d0" if tied else ""
            remark = "  // tied to 0" if tied else "  // left open"
        yield f"    .{_escaped(placed.port.name)}({to}){comma}{remark}"


def _escaped(name: str) -> str:
    """Return a name as Verilog takes any: a blank ends an escaped one."""
    return name if _PLAIN.fullmatch(name) and name not in KEYWORDS else f"\\{name} "

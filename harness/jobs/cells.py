"""The gates on which a design is graded: those of its netlist, or simple ones made for that.

One rule: what is not what virtual chips run is said to be so, and is kept nowhere.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import harness.netlist
from harness.door import write_whole
from harness.errors import NetlistError, netlist_advice
from harness.grade import GradedTable
from harness.jobs.choices import Cells
from harness.netlist import HEALTHY, Netlist, load_netlist, pin_map, simple_gates
from harness.rehearse import STATES, Gates, power_up
from harness.shuttle import Design, Shuttle

PREPARED = "{files} brought to simple gates by Yosys; not the netlist that virtual chips run"
DIFFERS = "it fails on the simple gates: there a set or reset needs a clock"


class Graded(NamedTuple):
    """Gates to grade on, and what was done to them before; empty if nothing was."""

    netlist: Netlist
    prepared: str = ""


def gates_for(design: Design, shuttle: Shuttle, gates: Gates, cells: Cells) -> Graded | str:
    """Return the gates of a design, or why there are none."""
    if cells is Cells.SIMPLE:
        try:
            return _simple(design, shuttle)
        except NetlistError as error:
            return str(error)
    if design.netlist is None:
        return f"the design has no netlist: {netlist_advice(design.name)}"
    model = gates.model(design.name)
    return "its netlist cannot be used: run harness check" if model is None else Graded(model[0])


def _simple(design: Design, shuttle: Shuttle) -> Graded:
    sources = design.verilog or ((design.netlist,) if design.netlist else ())
    if not sources:
        raise NetlistError(f"no Verilog files and no netlist are given for {design.name}")
    text = simple_gates(sources, design.top, shuttle.path.parent)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "simple.json"
        write_whole(path, [text.encode("utf-8")])
        netlist = load_netlist(path, design.top)
    files = ", ".join(path.name for path in sources)
    return Graded(netlist, PREPARED.format(files=files))


def on_simple(design: Design, netlist: Netlist, tables: Iterable[GradedTable]) -> list[GradedTable]:
    """Say of tables whether they can be graded on these gates instead of on the design's own."""
    pins, states = pin_map(netlist, design), power_up(netlist)
    healthy = [HEALTHY] * STATES
    done = []
    for table in tables:
        judged = harness.netlist.judge(netlist, pins, healthy, states, table.rows, lead=table.lead)
        wrong = bool(judged.wrong_cycles.any() or judged.unsettled.any())
        done.append(replace(table, why=DIFFERS if wrong else ""))
    return done

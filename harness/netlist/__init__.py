"""Gate-level netlists, read, and evaluated by one engine in any number of lanes."""

import importlib
import typing

from harness.netlist.bench import parse_bench
from harness.netlist.cells import cells_file
from harness.netlist.circuit import Circuit
from harness.netlist.design_pins import pin_map
from harness.netlist.lanes import (
    ALL,
    HEALTHY,
    Delay,
    Extent,
    Force,
    Lane,
    Pin,
    Rows,
    Short,
    random_state,
    stimulus,
)
from harness.netlist.made_from import changed_sources
from harness.netlist.model import (
    Kind,
    Netlist,
    PortDirection,
    nearest,
)
from harness.netlist.news import news_if_compiled
from harness.netlist.readers import load_netlist
from harness.netlist.source import Source, SourcePort, read_source
from harness.netlist.stuck import (
    BRANCH,
    StuckAt,
    cells,
    representatives,
    stuck_faults,
    with_branches,
    with_nets_for,
)
from harness.netlist.synthesise import simple_gates, synthesise
from harness.netlist.yosys import FIRST_START, Progress, quiet

if typing.TYPE_CHECKING:
    from harness.netlist.assembly import Machines, assemble
    from harness.netlist.compiler import compiled, inlined
    from harness.netlist.cycles import begin_cycle, happens
    from harness.netlist.engine import (
        Chip,
        Notes,
        Verdicts,
        judge,
        judge_closely,
        levels_after,
        levels_reached,
    )
    from harness.netlist.grading import Grader, Steps
    from harness.netlist.kernel import SETTLED, Operations
    from harness.netlist.layout import Machine, Tables
    from harness.netlist.observe import Observer
    from harness.netlist.pins import read_pins, set_pins, start
    from harness.netlist.simulator import Simulator

__all__ = [
    "ALL",
    "BRANCH",
    "FIRST_START",
    "HEALTHY",
    "SETTLED",
    "Chip",
    "Circuit",
    "Delay",
    "Extent",
    "Force",
    "Grader",
    "Kind",
    "Lane",
    "Machine",
    "Machines",
    "Netlist",
    "Notes",
    "Observer",
    "Operations",
    "Pin",
    "PortDirection",
    "Progress",
    "Rows",
    "Short",
    "Simulator",
    "Source",
    "SourcePort",
    "Steps",
    "StuckAt",
    "Tables",
    "Verdicts",
    "assemble",
    "begin_cycle",
    "cells",
    "cells_file",
    "changed_sources",
    "compiled",
    "happens",
    "inlined",
    "judge",
    "judge_closely",
    "levels_after",
    "levels_reached",
    "load_netlist",
    "nearest",
    "news_if_compiled",
    "parse_bench",
    "pin_map",
    "quiet",
    "random_state",
    "read_pins",
    "read_source",
    "representatives",
    "set_pins",
    "simple_gates",
    "start",
    "stimulus",
    "stuck_faults",
    "synthesise",
    "with_branches",
    "with_nets_for",
]

_COMPILED = {
    **dict.fromkeys(("Machines", "assemble"), "harness.netlist.assembly"),
    **dict.fromkeys(("compiled", "inlined"), "harness.netlist.compiler"),
    **dict.fromkeys(("begin_cycle", "happens"), "harness.netlist.cycles"),
    **dict.fromkeys(
        ("Chip", "Notes", "Verdicts", "judge", "judge_closely", "levels_after", "levels_reached"),
        "harness.netlist.engine",
    ),
    **dict.fromkeys(("Grader", "Steps"), "harness.netlist.grading"),
    **dict.fromkeys(("SETTLED", "Operations"), "harness.netlist.kernel"),
    **dict.fromkeys(("Machine", "Tables"), "harness.netlist.layout"),
    "Observer": "harness.netlist.observe",
    **dict.fromkeys(("read_pins", "set_pins", "start"), "harness.netlist.pins"),
    "Simulator": "harness.netlist.simulator",
}


def __getattr__(name: str) -> object:
    """Load the compiler when a name that needs it is first asked for: reading needs none."""
    if name not in _COMPILED:
        message = f"module 'harness.netlist' has no attribute {name!r}"
        raise AttributeError(message)
    found: object = getattr(importlib.import_module(_COMPILED[name]), name)
    return found


def __dir__() -> list[str]:
    return __all__

# What ``harness.netlist`` shows, and where each name comes from.

from .assembly import Machines, assemble
from .bench import parse_bench
from .cell_files import cells_file
from .circuit import Circuit
from .compiler import compiled, inlined
from .cycles import begin_cycle, happens
from .design_pins import pin_map
from .engine import Chip, Notes, Verdicts, judge, judge_closely, levels_after, levels_reached
from .grading import Grader, Steps
from .kernel import SETTLED, Operations
from .lanes import (
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
from .layout import Machine, Tables
from .made_from import changed_sources
from .model import Kind, Netlist, PortDirection, nearest
from .news import news_if_compiled
from .observe import Observer
from .pins import read_pins, set_pins, start
from .readers import load_netlist
from .simulator import Simulator
from .source import Source, SourcePort, read_source
from .stuck import (
    BRANCH,
    StuckAt,
    cells,
    representatives,
    stuck_faults,
    with_branches,
    with_nets_for,
)
from .synthesise import simple_gates, synthesise
from .yosys import FIRST_START, Progress, quiet

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

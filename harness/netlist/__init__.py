"""Gate-level netlists, read, and evaluated by one engine in as many lanes as one likes."""

import importlib
import typing

from harness.netlist.bench import parse_bench
from harness.netlist.cells import cells_file
from harness.netlist.circuit import Circuit
from harness.netlist.design_pins import pin_map
from harness.netlist.lanes import (
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
from harness.netlist.model import (
    Kind,
    Netlist,
    PortDirection,
    nearest,
)
from harness.netlist.readers import load_netlist
from harness.netlist.yosys import synthesise

if typing.TYPE_CHECKING:
    from harness.netlist.engine import Chip, Verdicts, judge
    from harness.netlist.simulator import Simulator

__all__ = [
    "HEALTHY",
    "Chip",
    "Circuit",
    "Delay",
    "Extent",
    "Force",
    "Kind",
    "Lane",
    "Netlist",
    "Pin",
    "PortDirection",
    "Rows",
    "Short",
    "Simulator",
    "Verdicts",
    "cells_file",
    "judge",
    "load_netlist",
    "nearest",
    "parse_bench",
    "pin_map",
    "random_state",
    "stimulus",
    "synthesise",
]

_COMPILED = {
    **dict.fromkeys(("Chip", "Verdicts", "judge"), "harness.netlist.engine"),
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

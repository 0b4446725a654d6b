"""Gate-level netlists, read and evaluated bit-parallel."""

import importlib
import typing

from harness.netlist.bench import load_bench, parse_bench
from harness.netlist.circuit import Circuit
from harness.netlist.lanes import (
    ALL,
    SETTLED,
    Extent,
    Faults,
    Lanes,
    Memory,
    Patches,
    PinMap,
    Stimulus,
    new_memory,
    no_patches,
)
from harness.netlist.model import (
    HIGH,
    Kind,
    Netlist,
    Port,
    PortDirection,
    nearest,
)
from harness.netlist.yosys import synthesise
from harness.netlist.yosys_json import load_netlist

if typing.TYPE_CHECKING:
    from harness.netlist.kernel import connect, prime, run_cycles, settle
    from harness.netlist.simulator import Simulator, StuckAt

__all__ = [
    "ALL",
    "HIGH",
    "SETTLED",
    "Circuit",
    "Extent",
    "Faults",
    "Kind",
    "Lanes",
    "Memory",
    "Netlist",
    "Patches",
    "PinMap",
    "Port",
    "PortDirection",
    "Simulator",
    "Stimulus",
    "StuckAt",
    "connect",
    "load_bench",
    "load_netlist",
    "nearest",
    "new_memory",
    "no_patches",
    "parse_bench",
    "prime",
    "run_cycles",
    "settle",
    "synthesise",
]

_COMPILED = {
    **dict.fromkeys(("connect", "prime", "run_cycles", "settle"), "harness.netlist.kernel"),
    **dict.fromkeys(("Simulator", "StuckAt"), "harness.netlist.simulator"),
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

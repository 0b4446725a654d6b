"""Gate-level netlists, read and evaluated bit-parallel."""

from harness.netlist.bench import load_bench, parse_bench
from harness.netlist.circuit import Circuit
from harness.netlist.kernel import (
    SETTLED,
    Extent,
    Faults,
    Lanes,
    Memory,
    Patches,
    PinMap,
    Stimulus,
    connect,
    prime,
    run_cycles,
    settle,
)
from harness.netlist.model import (
    HIGH,
    LOW,
    Flop,
    Kind,
    Netlist,
    Port,
    PortDirection,
    Tables,
    TriState,
    nearest,
)
from harness.netlist.simulator import (
    ALL,
    FlopState,
    Simulator,
    StuckAt,
    new_memory,
    no_patches,
)
from harness.netlist.yosys import synthesise
from harness.netlist.yosys_json import load_netlist

__all__ = [
    "ALL",
    "HIGH",
    "LOW",
    "SETTLED",
    "Circuit",
    "Extent",
    "Faults",
    "Flop",
    "FlopState",
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
    "Tables",
    "TriState",
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

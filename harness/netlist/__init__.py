"""Gate-level netlists, read and evaluated bit-parallel."""

from harness.netlist.bench import load_bench, parse_bench
from harness.netlist.circuit import Circuit
from harness.netlist.model import Flop, Kind, Netlist, Port, PortDirection, Tables, TriState
from harness.netlist.simulator import FlopState, Simulator, StuckAt
from harness.netlist.yosys import synthesise
from harness.netlist.yosys_json import load_netlist

__all__ = [
    "Circuit",
    "Flop",
    "FlopState",
    "Kind",
    "Netlist",
    "Port",
    "PortDirection",
    "Simulator",
    "StuckAt",
    "Tables",
    "TriState",
    "load_bench",
    "load_netlist",
    "parse_bench",
    "synthesise",
]

"""Gate-level netlists, read and evaluated bit-parallel."""

from harness.netlist.yosys import synthesise

__all__ = ["synthesise"]

"""Speed of grading: a published circuit from a known start, under random vectors.

Run: python -m tests.bench.grade. The circuit is s38417 of the package circuitgraph, synthesised
anew there: its counts are not the published ones. Every collapsed fault runs until it is found.
Seconds are the processor's, with compiled code in the cache.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from harness.netlist import Grader, PortDirection, representatives, stuck_faults
from tests.bench.engine import best, circuits
from tests.bench.targets import Target, conclude
from tests.simulator import clocked

CIRCUIT, VECTORS, LIMIT = "s38417.v", 1_000, 10.0


def targets() -> Iterator[Target]:
    """Grade the circuit; how long it takes."""
    with tempfile.TemporaryDirectory() as scratch:
        (netlist,) = circuits((CIRCUIT,), Path(scratch))
    faults = stuck_faults(netlist)
    inputs = [p for p in netlist.ports if p.direction is PortDirection.INPUT]
    clock = next(p.name for p in inputs if p.name in {"clock", "clk"})
    bits = sum(len(p.nets) for p in inputs) - 1
    vectors = np.random.default_rng(1).integers(0, 2, (VECTORS, bits), dtype=np.uint8)
    start = np.zeros(netlist.flop_count, dtype=np.int64)
    grader = Grader(netlist, faults, clocked(netlist, vectors, clock), start)
    found = grader.detections().first
    took = best(grader.detections, 3)
    classes = len(set(representatives(netlist, faults).tolist()))
    print(
        f"{netlist.name}: {netlist.gate_count:,} gates, {netlist.flop_count:,} flops,"
        f" {len(faults):,} faults, {classes:,} after collapsing, {VECTORS:,} vectors:"
        f" fault coverage {(found >= 0).mean():.1%} (stuck-at)"
    )
    asked = f"{CIRCUIT} under {VECTORS:,} random vectors graded within {LIMIT:.0f} s"
    yield Target(asked, f"{took:.2f} s", took <= LIMIT)


if __name__ == "__main__":
    raise SystemExit(conclude(list(targets())))

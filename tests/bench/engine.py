"""Speed of the engine, side by side with kyupy on published circuits.

Run: python -m tests.bench.engine. Then come a virtual chip of the demo shuttle and the start of a
second process. The circuits come from the package circuitgraph; both programs get the same gates
with two inputs (kyupy drops inputs from the fifth on) and the same patterns. kyupy drops no
faults: what it would need is measured on a few faults; it runs one fault at a time in many
sequences, so that its rate counts all of 512 sequences, though a table is only one. All faults of
the list count for both, though the engine runs one of those that a gate makes alike: how many it
runs is printed. Its time includes the good machine. Seconds are the processor's, the best of
several rounds, so that ratios hold on a busy machine; a second start is measured by the clock, on
a quiet one. Predictions of hypotheses of wiring come last.
"""

from __future__ import annotations

import importlib.util
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from harness.netlist import Kind, Netlist, PortDirection, load_netlist
from harness.netlist.grading import Grader
from harness.netlist.kernel import evaluate
from harness.netlist.lanes import FULL, WIDE
from harness.netlist.observe import Observer
from harness.netlist.stuck import representatives, stuck_faults, with_branches
from tests.bench import chip_speed, hypotheses
from tests.bench.targets import Target, conclude
from tests.simulator import clocked, detections_of_all

COMBINATIONAL = ("c6288.v", "s38417.v", "b20_C.bench")
SEQUENTIAL = ("s13207.v", "s38584.v", "s38417.v")
CELLS = '[fflopd]\nkind = "flop"\ndata = "D"\nclock = "CK"\nq = "Q"\n'
CYCLES = 100


def best(work: Callable[[], object], rounds: int = 7) -> float:
    """Processor seconds of the fastest of several rounds; both programs use one thread."""
    times = []
    for _ in range(rounds):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def geometric(ratios: Sequence[float]) -> float:
    """Geometric mean."""
    return math.exp(sum(map(math.log, ratios)) / len(ratios))


def circuits(names: Sequence[str], folder: Path) -> list[Netlist]:
    """Read circuits of the package, with branches as nets of their own at flops and outputs."""
    spec = importlib.util.find_spec("circuitgraph")
    if spec is None or spec.origin is None:
        sys.exit("the circuits come from the package circuitgraph: pip install circuitgraph")
    for name in names:
        copy = folder / name
        shutil.copy(Path(spec.origin).parent / "netlists" / name, copy)
        copy.with_suffix(".cells.toml").write_text(CELLS, encoding="utf-8")
    return [with_branches(load_netlist(folder / name)) for name in names]


class Kyupy:
    """A circuit in kyupy: the same gates, flops as inputs and outputs."""

    def __init__(self, netlist: Netlist, patterns: int) -> None:
        from kyupy import bench  # noqa: PLC0415 - it prints when it is loaded
        from kyupy.logic_sim import LogicSim  # noqa: PLC0415

        self.circuit = bench.parse(as_bench(netlist))
        self.simulator = LogicSim(self.circuit, sims=patterns, m=2)
        shape = self.simulator.s[0, :, 0].shape
        self.simulator.s[0, :, 0] = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
        self.mask = np.full(self.simulator.c.shape[-1], 255, dtype=np.uint8)

    def propagate(self) -> None:
        """Evaluate all gates once."""
        self.simulator.s_to_c()
        self.simulator.c_prop()

    def fault(self, line: int) -> None:
        """Evaluate all gates with one line stuck, and take the responses."""
        self.simulator.s_to_c()
        self.simulator.c_prop(fault_line=line, fault_mask=self.mask, fault_model=0)
        self.simulator.c_to_s()

    def faults(self, lines: Sequence[int]) -> None:
        """Evaluate all gates with one line after the other stuck."""
        for line in lines:
            self.fault(line)

    def cycles(self, line: int, count: int) -> None:
        """Run cycles with one line stuck."""
        for _ in range(count):
            self.fault(line)
            self.simulator.s_ppo_to_ppi()


def as_bench(netlist: Netlist) -> str:
    """The same gates as a .bench file, a net named n and its number."""
    lines = []
    for port in netlist.ports:
        if port.direction is PortDirection.INPUT and port.name not in {"clock", "clk"}:
            lines += [f"INPUT(n{net})" for net in port.nets]
        elif port.direction is PortDirection.OUTPUT:
            lines += [f"OUTPUT(n{net})" for net in port.nets]
    q, data = netlist.tables.q.tolist(), netlist.tables.data.tolist()
    lines += [f"n{out} = DFF(n{taken})" for out, taken in zip(q, data, strict=True)]
    used = {n for row in netlist.tables.gates.tolist() for n in row[1:3]} | set(data)
    if used & {0, 1}:
        lines += ["INPUT(n0)", "INPUT(n1)"]
    for kind, a, b, out in netlist.tables.gates.tolist():
        if a == b:
            lines.append(f"n{out} = {'NOT' if kind & 1 else 'BUFF'}(n{a})")
        else:
            lines.append(f"n{out} = {Kind(kind).name}(n{a}, n{b})")
    return "\n".join(lines) + "\n"


def fault_free(netlist: Netlist) -> float:
    """Print and give the ratio of evaluation without faults."""
    observer = Observer(netlist, [])
    values, ops = observer._work.v, observer._work.ops
    rounds = max(1, 2_000_000 // netlist.gate_count)

    def run() -> None:
        for _ in range(rounds):
            evaluate(values, ops, 0, len(ops))

    run()
    ours = netlist.gate_count * FULL * rounds / best(run)
    theirs = 0.0
    for patterns in (512, 8192, 65536):
        kyupy = Kyupy(netlist, patterns)
        kyupy.propagate()
        theirs = max(theirs, netlist.gate_count * patterns / best(kyupy.propagate, 3))
    print(
        f"fault-free     {netlist.name:8s} {netlist.gate_count:6d} gates {ours:9.3g} gate-lanes/s"
        f"  kyupy {theirs:9.3g}  {ours / theirs:8.1f} x"
    )
    return ours / theirs


def combinational(netlist: Netlist) -> float:
    """Print and give the ratio of combinational stuck-at faults, none dropped."""
    faults = stuck_faults(netlist)
    observer = Observer(netlist, faults)
    rng = np.random.default_rng(2)
    patterns = rng.integers(0, 2**64, (len(observer.inputs), WIDE), dtype=np.uint64)
    observer.detections(patterns)
    took = best(lambda: observer.detections(patterns), 5)
    ours = len(faults) * FULL / took
    many = 4096
    kyupy = Kyupy(netlist, many)
    kyupy.fault(1)
    tried = range(10, 20)
    theirs = many * len(tried) / best(lambda: kyupy.faults(tried), 2)
    print(
        f"combinational  {netlist.name:8s} {len(faults):6d} faults {ours:9.3g} fault-patterns/s"
        f"  kyupy {theirs:9.3g}  {ours / theirs:8.1f} x"
    )
    return ours / theirs


def sequential(netlist: Netlist) -> float:
    """Print and give the ratio of sequential stuck-at faults from a known start, none dropped."""
    faults = stuck_faults(netlist)
    inputs = [p for p in netlist.ports if p.direction is PortDirection.INPUT]
    bits = sum(len(p.nets) for p in inputs) - 1
    vectors = np.random.default_rng(3).integers(0, 2, (CYCLES, bits), dtype=np.uint8)
    clock = next(p.name for p in inputs if p.name in {"clock", "clk"})
    steps = clocked(netlist, vectors, clock)
    start = np.zeros(netlist.flop_count, dtype=np.int64)
    grader = Grader(netlist, faults, steps, start)
    found, dropping = detections_of_all(grader), grader.detections().first
    assert (found == dropping).all()
    classes = len(set(representatives(netlist, faults).tolist()))
    took = best(lambda: detections_of_all(grader))
    dropped = best(grader.detections)
    ours = len(faults) * CYCLES / took
    alone, lanes = Kyupy(netlist, 8), Kyupy(netlist, FULL)
    alone.cycles(1, 2)
    single = CYCLES / best(lambda: alone.cycles(10, CYCLES), 2)
    theirs = FULL * CYCLES / best(lambda: lanes.cycles(10, CYCLES), 2)
    print(
        f"sequential     {netlist.name:8s} {len(faults):6d} faults {ours:9.3g} fault-cycles/s"
        f"    kyupy {theirs:9.3g}  {ours / theirs:8.1f} x, for one sequence {ours / single:8.0f} x"
        f"  (coverage {(found >= 0).mean():.1%}; {classes} run;"
        f" {took:.4f} s, dropping {dropped:.4f} s)"
    )
    return ours / theirs


_SECOND = """
from harness.netlist import Chip, Extent, Lane, load_netlist, pin_map, random_state, stimulus
from harness.shuttle import load_shuttle
from tests.published.generators import VECTORS
design = load_shuttle(VECTORS).designs_by_name["spibank"]
netlist = load_netlist(design.netlist, design.top)
chip = Chip(netlist, pin_map(netlist, design), Lane(), random_state(netlist, [1]))
rows = stimulus(1, 1, 0, 0)
chip.run(rows, Extent(1, 0, 0, 0, 0, 0))
"""


def second_start() -> float:
    """Print and give what a process costs that runs one vector, with compiled code in the cache."""
    settings = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    walls, times = [], []
    for _ in range(6):
        began, before = time.perf_counter(), os.times()
        subprocess.run([sys.executable, "-c", _SECOND], check=True, env=settings)
        after = os.times()
        walls.append(time.perf_counter() - began)
        used = after.children_user + after.children_system
        times.append(used - before.children_user - before.children_system)
    print(f"a second start and a vector: {min(walls):.2f} s, of the processor {min(times):.2f} s")
    return min(walls)


def targets() -> Iterator[Target]:
    """Print all ratios, and give their means."""
    with tempfile.TemporaryDirectory() as scratch:
        logic = circuits(COMBINATIONAL, Path(scratch))
        flops = circuits(SEQUENTIAL, Path(scratch))
    for name, work, chosen, least in (
        ("fault-free", fault_free, logic, 10),
        ("combinational stuck-at", combinational, logic, 1000),
        ("sequential stuck-at", sequential, flops, 150),
    ):
        mean = geometric([work(netlist) for netlist in chosen])
        yield Target(f"{name}, mean, at least {least} x", f"{mean:.1f} x", mean >= least)
    chip_speed.main()
    took = second_start()
    yield Target("a second start, at most 1 s by the clock", f"{took:.2f} s", took <= 1)
    yield from hypotheses.targets()


def main() -> int:
    """Print everything; 1 if a target is missed."""
    return conclude(list(targets()))


if __name__ == "__main__":
    raise SystemExit(main())

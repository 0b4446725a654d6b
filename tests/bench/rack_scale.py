"""How much longer 32 boards take than one: the whole job, on paced links, side by side.

A job is attach, upload, tables, store. Every board's link is paced like a UART of ``--baud``, ten
bits a byte, each way; the boards themselves are virtual, so their interpreters and chip models
use the same cores as the tool, which real boards would not. To start and to feed an interpreter
costs up to a second of CPU for each board, so a short job measures only that. Therefore the job
is one light design with a table of ``--rows`` rows in random order, long enough that the link is
what a board waits for. The CPU time of the tool and of the boards' processes is printed apart.
Run with ``python -m tests.bench.rack_scale``; it ends with 1 if 32 boards take more than 1.3
times the slowest board alone, or any table is not PASS.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

from harness.board import load_profile
from harness.jobs.run import run
from harness.rack import Rack, Slot
from harness.records import Verdict
from harness.shuttle import load_shuttle
from harness.store import Store
from harness.virtual import VirtualBoardSpec, VirtualRack
from tests.system.test_bad_boards import long_table
from tests.system.test_bad_input import Bench, make_bench

TARGET = 1.3
ALONE = 2
"""Number of boards measured alone; the slowest counts."""


@dataclass(frozen=True)
class Measured:
    """Wall and CPU time of one run in s, and bytes over all links."""

    wall: float
    cpu: float
    carried: int


def main() -> int:
    """Print the figures; 1 if the target is missed."""
    options = _options()
    with tempfile.TemporaryDirectory() as folder:
        bench = make_bench(Path(folder))
        long_table(bench, options.rows)
        return compare(bench, options)


def compare(bench: Bench, options: argparse.Namespace) -> int:
    """Run boards alone and together; 1 if the target is missed."""
    shuttle = load_shuttle(bench.folder / "vectors/shuttle.toml")
    profile = replace(load_profile(bench.folder / "wader.toml", shuttle), backend="virtual")
    specs = [
        VirtualBoardSpec(
            f"A{number}",
            f"WB-{number:02}",
            f"SP2-{number:04}",
            shuttle.path,
            profile.path,
            baud=options.baud,
        )
        for number in range(1, options.boards + 1)
    ]
    print(f"links of {options.baud:,} baud, {options.baud / 10_000:.1f} kB/s each way")
    with VirtualRack(specs) as boards:
        slots = tuple(
            Slot(one.slot, boards.ports[one.slot], one.board_serial, one.chip_serial)
            for one in specs
        )
        rack = Rack("bench", shuttle, profile, slots)
        measure(replace(rack, slots=slots[:1]), "warm-up")
        alone = [
            measure(replace(rack, slots=(slot,)), f"{slot.name} alone") for slot in slots[:ALONE]
        ]
        together = measure(rack, f"{len(slots)} boards")
    ratio = together.wall / max(one.wall for one in alone)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"the boards' processes used {children.ru_utime + children.ru_stime:.1f} s of CPU in all")
    print(f"{len(slots)} boards take {ratio:.2f} x the slowest alone (target {TARGET})")
    return 0 if ratio <= TARGET else 1


def measure(rack: Rack, what: str) -> Measured:
    """Run a rack into a new store; raises SystemExit unless every table passes."""
    began, cpu = time.perf_counter(), time.process_time()
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "s.sqlite") as store:
        record = run(rack, store)
    wall, used = time.perf_counter() - began, time.process_time() - cpu
    outcomes = [outcome for chip in record.chips for outcome in chip.outcomes]
    if {outcome.verdict for outcome in outcomes} != {Verdict.PASS}:
        raise SystemExit(f"{what}: not every table passed: {[c.trouble for c in record.chips]}")
    carried = sum(a.bytes_sent + a.bytes_received for o in outcomes for a in o.attempts)
    print(
        f"{what:12} {wall:7.2f} s wall, {used:6.2f} s CPU of the tool, {len(outcomes):4} tables, "
        f"{carried / 1000:8.0f} kB of tables",
        flush=True,
    )
    return Measured(wall, used, carried)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--boards", type=int, default=32)
    parser.add_argument("--baud", type=int, default=115_200, help="115200 is a profile's default")
    parser.add_argument("--rows", type=int, default=200_000)
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())

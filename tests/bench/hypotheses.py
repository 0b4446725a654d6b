"""Predictions of wiring hypotheses: what every intake table would say of each, lane by lane.

Run: python -m tests.bench.hypotheses. Prints seconds for 1,305 hypotheses (opens, stuck lines,
exchanges, shorts, other maps) in 3 power-up states on the tables that an intake runs.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from itertools import combinations, islice

from harness.netlist import Kind, Lane, Short, judge, load_netlist, pin_map, random_state
from harness.rehearse import table_rows
from harness.shuttle import Direction, Shuttle, load_shuttle
from harness.table import load_table
from tests.published.generators import VECTORS

COUNT, STATES = 1305, 3


def hypotheses(shuttle: Shuttle) -> list[Lane]:
    """A board in order first, then one thing wrong a lane."""
    return list(islice(_kinds(shuttle), COUNT))


def _kinds(shuttle: Shuttle) -> Iterator[Lane]:
    bits = [pin.bit for pin in shuttle.pins if pin.direction is not Direction.SELECT]
    pairs = list(combinations(bits, 2))
    yield Lane()
    for bit in bits:
        yield Lane(wires=((bit, None),))
        yield Lane(lines=((bit, 0),))
        yield Lane(lines=((bit, 1),))
    for a, b in pairs:
        yield Lane(wires=((a, b), (b, a)))
        yield Lane(shorts=(Short(a, b, Kind.AND),))
        yield Lane(shorts=(Short(a, b, Kind.OR),))
    for a, b in pairs:
        yield Lane(wires=((a, None), (b, None)))
    rng = random.Random(1)
    while True:
        yield Lane(wires=tuple(zip(bits, rng.sample(bits, len(bits)), strict=True)))


def main() -> None:
    """Print a line a table, and the sum."""
    shuttle = load_shuttle(VECTORS)
    lanes = hypotheses(shuttle) * STATES
    total, cycles = 0.0, 0
    for design in shuttle.designs:
        assert design.netlist is not None
        netlist = load_netlist(design.netlist, design.top)
        pins = pin_map(netlist, design)
        seeds = [k // COUNT for k in range(len(lanes))]
        states = random_state(netlist, range(STATES))[:, seeds]
        for spec in design.tables:
            if not spec.intake:
                continue
            rows, lead = table_rows(load_table(spec, design, shuttle), spec, shuttle)
            began = time.perf_counter()
            found = judge(netlist, pins, lanes, states, rows, lead=lead)
            took = time.perf_counter() - began
            total += took
            cycles += int(found.cycles.max())
            answers = zip(found.signature.tolist(), found.wrong_cycles.tolist(), strict=True)
            print(
                f"{design.name + '/' + spec.name:20s} {int(found.cycles.max()):6d} cycles"
                f" {took:7.3f} s {int((found.wrong_cycles > 0).sum()):5d} lanes fail"
                f" {len(set(answers)):5d} told apart {int(found.unsettled.sum()):5d} swing"
            )
    print(f"{len(lanes)} lanes, {cycles} cycles: {total:.2f} s")


if __name__ == "__main__":
    main()

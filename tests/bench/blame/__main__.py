"""Who gets the blame, measured on seeded racks of direct boards.

Run: ``python -m tests.bench.blame [--racks N] [--seed S] [--stack N]``; ends with 1 if a target is
missed.
"""

from __future__ import annotations

import argparse
import copy
import random
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache

import numpy as np

from harness.rehearse import Cache, Predictions, predict
from tests.bench.blame.measures import ACROSS, Tally, tally_rack
from tests.bench.blame.racks import SLOTS, Floor, WholeStack, draw
from tests.bench.targets import Target, conclude

WORKERS = 2
SHOWN = 40


@cache
def _floor(how: str = "") -> Floor:
    return WholeStack() if how == "stack" else Floor()


@cache
def _predictions() -> Predictions:
    floor = _floor()
    return predict(floor.shuttle, floor.jobs.values(), floor.profile, cache=Cache())


def _without_a_third(predictions: Predictions, rng: random.Random) -> Predictions:
    """The same, as if a third of the designs had no netlist."""
    names = sorted({design for design, _ in predictions.tables})
    gone = set(rng.sample(names, len(names) // 3))
    masked = copy.copy(predictions)
    masked.tables = {
        key: replace(table, known=np.zeros_like(table.known)) if key[0] in gone else table
        for key, table in predictions.tables.items()
    }
    return masked


def run_seed(work: tuple[int, str]) -> Tally:
    """Draw, run and settle one rack: of known faults, of odd ones, or with netlists missing.

    ``stack`` are known faults through interpreter, wire and agent.
    """
    seed, how = work
    floor, predictions = _floor(how), _predictions()
    rng = random.Random(f"{how} {seed}")
    truth = draw(floor, rng, unknown=how == "odd")
    chips = [f"SP2-{rng.randrange(1000, 5000)}" for _ in range(SLOTS)]
    run = floor.rack(truth, chips)
    if how == "third":
        predictions = _without_a_third(predictions, rng)
    return tally_rack(floor, predictions, seed, truth, run)


def _share(tally: Tally, part: str, whole: str) -> float:
    return tally.counts[part] / max(tally.counts[whole], 1)


def _target(tally: Tally, asked: str, part: str, whole: str, least: float, most: float) -> Target:
    """A share with bounds."""
    share = _share(tally, part, whole)
    found = f"{tally.counts[part]} of {tally.counts[whole]} ({100 * share:.2f} %)"
    return Target(asked, found, least <= share <= most or not tally.counts[whole])


def _targets(one: Tally, odd: Tally, third: Tally, stack: Tally) -> list[Target]:
    found = [
        _target(one, "good chip accused <= 0.2 %", "good chips accused", "board faults", 0, 0.002),
        Target(
            "bad chip with PASS: none",
            f"{one.counts['bad chips passed']}",
            not one.counts["bad chips passed"],
        ),
        _target(one, "right class first >= 97 %", "one: right class first", "one: slots", 0.97, 1),
        _target(one, "right pin >= 99 %", "pins: right", "pins: slots", 0.99, 1),
        _target(
            one, "flaky: right pin >= 90 %", "flaky contact: right", "flaky contact: slots", 0.9, 1
        ),
        _target(one, "named alone and wrong <= 0.5 %", "one: named wrong", "one: slots", 0, 0.005),
        _target(one, "cannot tell <= 10 %", "one: cannot tell", "one: slots", 0, 0.1),
        _target(
            one, "settled by the experiment >= 99 %", "one: settled", "one: experiments", 0.99, 1
        ),
        _target(one, "two faults named wrong <= 2 %", "two: named wrong", "two: slots", 0, 0.02),
        _target(
            odd, "odd: good chip accused <= 1 %", "good chips accused", "board faults", 0, 0.01
        ),
        _target(
            odd, "odd: right class first >= 80 %", "odd: right class first", "odd: slots", 0.8, 1
        ),
        _target(odd, "odd: named wrong <= 5 %", "odd: named wrong", "odd: slots", 0, 0.05),
        _target(
            odd,
            "odd: settled by the experiment >= 95 %",
            "odd: settled",
            "odd: experiments",
            0.95,
            1,
        ),
        _target(
            third,
            "a third without netlists: right first >= 85 %",
            "one: right class first",
            "one: slots",
            0.85,
            1,
        ),
        _target(
            third,
            "a third without netlists: named wrong <= 1 %",
            "one: named wrong",
            "one: slots",
            0,
            0.01,
        ),
    ]
    found += [
        _target(
            stack, "whole stack: good chip accused", "good chips accused", "board faults", 0, 0
        ),
        _target(
            stack, "whole stack: right class first", "one: right class first", "one: slots", 0.97, 1
        ),
        _target(stack, "whole stack: named wrong", "one: named wrong", "one: slots", 0, 0.005),
    ]
    found += [
        _target(one, f"{name}: told", f"{name}: right", f"{name}: racks", 0.95, 1)
        for name in ACROSS
    ]
    return found


def _print(tally: Tally, title: str) -> None:
    print(f"\n== {title}")
    rows = sorted({row for row, _ in tally.matrix})
    for row in rows:
        cells = sorted(((n, c) for (r, c), n in tally.matrix.items() if r == row), reverse=True)
        print(f"  {row:18s} " + ", ".join(f"{column} {count}" for count, column in cells))
    for name, count in sorted(tally.counts.items()):
        print(f"  {count:6d}  {name}")
    for line in tally.lines[:SHOWN]:
        print(f"  {line}")


def main(arguments: Sequence[str]) -> int:
    """Run all racks, print every measure."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.blame")
    parser.add_argument("--racks", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stack", type=int, default=40, help="racks through the whole stack")
    asked = parser.parse_args(arguments)
    counts = {"known": asked.racks, "odd": asked.racks // 4, "third": asked.racks // 4}
    counts["stack"] = asked.stack
    _predictions()  # kept on disk before the workers ask
    began = time.perf_counter()
    tallies = {how: Tally() for how in counts}
    with ProcessPoolExecutor(WORKERS) as pool:
        for how, count in counts.items():
            seeds = range(asked.seed, asked.seed + count)
            for tally in pool.map(run_seed, [(seed, how) for seed in seeds], chunksize=8):
                tallies[how].add(tally)
            if count:
                _print(tallies[how], f"{how}: {count} racks, seeds {seeds[0]} to {seeds[-1]}")
    print(f"\n{sum(counts.values())} racks in {time.perf_counter() - began:.0f} s")
    return conclude(_targets(*tallies.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

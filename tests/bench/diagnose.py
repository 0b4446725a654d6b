"""Whether suspects name the fault that was injected, over all demo designs.

Run: ``python -m tests.bench.diagnose [--stuck N] [--bridges N] [--stack N] [--seed S] [--designs
A,B]``: N faults of each design, drawn by the seed; ends with 1 if a target is missed. What a chip
answers comes from virtual boards in this process; ``--stack`` are stuck nets in all through
interpreter, wire and agent.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from harness.diagnose import Answered, Defective, answered, diagnose, quick_diagnosis
from harness.grade import Namer, fault_list
from harness.netlist import Netlist, StuckAt, load_netlist
from harness.records import Diagnosis
from harness.shuttle import Design
from harness.virtual import faults as f
from tests.bench.blame.faults import Fault
from tests.bench.blame.racks import Floor, WholeStack
from tests.bench.targets import Target, conclude


@dataclass
class Tally:
    """Faults that were detected, by the place of theirs among the suspects; 0: not among them.

    ``pairs`` counts bridges of which both nets are named, by the place.
    """

    places: Counter[int] = field(default_factory=Counter)
    pairs: Counter[int] = field(default_factory=Counter)
    sizes: list[int] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    passed: int = 0

    def share(self, most: int) -> float:
        """Share of the detected faults among the first ``most``."""
        named = sum(count for place, count in self.places.items() if 1 <= place <= most)
        return named / max(sum(self.places.values()), 1)

    def add(self, place: int, size: int, seconds: float) -> None:
        """Count one detected fault."""
        self.places[place] += 1
        self.sizes.append(size)
        self.seconds.append(seconds)

    def join(self, other: Tally) -> None:
        """Add what another one counted."""
        self.places += other.places
        self.pairs += other.pairs
        self.sizes += other.sizes
        self.seconds += other.seconds
        self.passed += other.passed

    def line(self) -> str:
        """What it comes to."""
        found, size = sum(self.places.values()), median(self.sizes or [0])
        slow = max(self.seconds, default=0.0)
        both = f"both nets first {self.pairs[1] / max(found, 1):.1%}; " if self.pairs else ""
        return (
            f"{found:5} detected, {self.passed} not; first {self.share(1):.1%}, in 3 "
            f"{self.share(3):.1%}, in 10 {self.share(10):.1%}; {both}class of {size:g} (median), "
            f"{max(self.sizes, default=0)} at most; {median(self.seconds or [0]):.2f} s (median), "
            f"{slow:.2f} s at most"
        )


def of_chip(floor: Floor, design: Design, defect: f.ChipDefect) -> list[Answered]:
    """What the intake tables of a design answer on a chip with a defect."""
    keys = [key for key in floor.jobs if key[0] == design.name]
    fault = Fault("defect", frozenset(), defects=(defect,))
    found = []
    for outcome in floor.run(0, "SP2-0001", (fault,), keys):
        _, spec, pattern = floor.jobs[outcome.design, outcome.table]
        table = answered(outcome, pattern, spec, floor.shuttle)
        if table is not None:
            found.append(table)
    return found


def netlist_of(design: Design) -> Netlist:
    """The gates of a design."""
    assert design.netlist is not None
    return load_netlist(design.netlist, design.top)


def sites(netlist: Netlist) -> dict[str, int]:
    """Nets that can be stuck: one name for each."""
    names = {net: name for name, net in sorted(netlist.nets_by_name.items()) if net > 1}
    clocks = {int(net) for net in netlist.tables.groups[:, 2]}
    return {name: net for net, name in names.items() if net not in clocks}


def _place(found: Diagnosis, name: str) -> tuple[int, int]:
    """Place of the suspect whose class has a fault of this name, and the size of the class."""
    for place, suspect in enumerate(found.suspects, 1):
        if name in (suspect.name, *suspect.others):
            return place, suspect.alike
    return 0, 0


def _touching(found: Diagnosis, names: set[str], least: int = 1) -> int:
    """Place of the first suspect at so many of these nets, or that cannot be told from one."""
    for place, suspect in enumerate(found.suspects, 1):
        if any(len(names & {*_nets(t)}) >= least for t in (suspect.name, *suspect.others)):
            return place
    return 0


def _nets(name: str) -> Iterator[str]:
    """Nets in the name of a fault."""
    for part in name.partition(" bridged")[0].split(" and "):
        yield part.partition(" stuck at ")[0].partition(" at the ")[0]


def stuck(floor: Floor, design: Design, rng: random.Random, count: int) -> Tally:
    """Inject stuck nets into a design."""
    tally, netlist = Tally(), netlist_of(design)
    names, nets = Namer(fault_list(netlist)), sites(netlist)
    for net in rng.sample(sorted(nets), min(count, len(nets))):
        level = rng.randrange(2)
        tables = of_chip(floor, design, f.NetStuck(design.name, net, level))
        if not any(table.failed for table in tables):
            tally.passed += 1
            continue
        began = time.perf_counter()
        found = quick_diagnosis(Defective("A1", "SP2-0001", design, netlist, tables))
        took = time.perf_counter() - began
        tally.add(*_place(found, names.name(StuckAt(nets[net], level))), took)
    return tally


def bridges(floor: Floor, design: Design, rng: random.Random, count: int) -> Tally:
    """Inject bridges of two nets into a design."""
    tally, netlist = Tally(), netlist_of(design)
    names, nets = Namer(fault_list(netlist)), sites(netlist)
    for _ in range(count):
        pair = rng.sample(sorted(nets), 2)
        defect = f.NetBridge(design.name, pair[0], pair[1], rng.choice(("and", "or")))
        tables = of_chip(floor, design, defect)
        if not any(table.failed for table in tables):
            tally.passed += 1
            continue
        began = time.perf_counter()
        one = Defective("A1", "SP2-0001", design, netlist, tables)
        found = diagnose(one, (), floor.shuttle, slower_passes=False)
        took = time.perf_counter() - began
        texts = {names.name(StuckAt(nets[net], 0)).removesuffix(" stuck at 0") for net in pair}
        tally.add(_touching(found, texts), found.suspects[0].alike, took)
        tally.pairs[_touching(found, texts, 2)] += 1
    return tally


def targets(arguments: Sequence[str] = ()) -> Iterator[Target]:
    """Run all designs, print every measure; what they come to."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.diagnose")
    parser.add_argument("--stuck", type=int, default=20)
    parser.add_argument("--bridges", type=int, default=5)
    parser.add_argument("--stack", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--designs", default="")
    asked = parser.parse_args(arguments)
    floor, wanted = Floor(), asked.designs.split(",")
    designs = [d for d in floor.shuttle.designs if not asked.designs or d.name in wanted]
    whole = {name: Tally() for name in ("stuck", "bridges", "stack")}
    for how, run, count in (("stuck", stuck, asked.stuck), ("bridges", bridges, asked.bridges)):
        for design in designs if count else ():
            tally = run(floor, design, random.Random(f"{how} {asked.seed} {design.name}"), count)
            print(f"{how:8} {design.name:10} {tally.line()}", flush=True)
            whole[how].join(tally)
    for number in range(asked.stack):
        rng = random.Random(f"stack {asked.seed} {number}")
        whole["stack"].join(stuck(WholeStack(), rng.choice(designs), rng, 1))
    for how, tally in whole.items():
        print(f"{how:8} {'all':10} {tally.line()}")
    yield from _targets(whole)


def _targets(whole: Mapping[str, Tally]) -> Iterator[Target]:
    for how, asked, most, least in (
        ("stuck", "class of a stuck-at fault first >= 85 %", 1, 0.85),
        ("stuck", "class of a stuck-at fault in the first 3 >= 95 %", 3, 0.95),
        ("bridges", "a net of a bridge in the first 10 >= 80 %", 10, 0.8),
        ("stack", "whole stack: class in the first 3 >= 95 %", 3, 0.95),
    ):
        if sum(whole[how].places.values()):
            share = whole[how].share(most)
            yield Target(asked, f"{share:.1%}", share >= least)


if __name__ == "__main__":
    sys.exit(conclude(list(targets(sys.argv[1:]))))

"""Planted faults are found, each at its cycle and pin: the tool's own session on the firmware.

Run with ``python -m tests.bench.firmware_faults FIRMWARE.uf2 [--backend NAME] [--seed N]``. Without
a backend all are tried, each on an emulated board of its own, whose chip is wrong by one bit in one
vector for each fault. It ends with 1 if a fault is missed, or if one is found that was not planted.

In a short run one pin is wrong, in its first, middle and last vector, each pin in turn; in a long
run many bits are, anywhere. A single wrong bit is judged as a night would: there in all runs of the
table, or in one of them only.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tests.bench.powered import BACKENDS, EVERY_RUN, Board, board_of, follow_the_board, powered
from tests.bench.targets import Target, conclude

if TYPE_CHECKING:
    from harness.board import Capture, Session
    from harness.judge import Case
    from harness.shuttle import Shuttle
    from harness.table import Pattern

DESIGN, TABLE = "lfsr", "states"
"""Every row of this table but the first has a clock pulse, by which the chip counts vectors."""
SHORT = 48
"""Rows of it that are run where a run has few faults."""
SPREAD_RUNS, SPREAD = 6, 14
"""Runs over the long table, and faults in each: fewer than a board keeps."""
ALWAYS, ONCE = 2, 3
"""Faults that are judged: there in every run, and in one of them."""
CUT = {"generic": 256}
"""Rows of it that are run at most, where a backend is so slow that all would take too long."""


class Fault(NamedTuple):
    """A wrong bit in one vector; ``run`` counts runs from the planting on."""

    row: int
    bit: int
    run: int = EVERY_RUN


@dataclass(frozen=True)
class Tally:
    """Faults planted, missed, and found although they were not planted."""

    planted: int = 0
    missed: int = 0
    invented: int = 0

    def __add__(self, other: Tally) -> Tally:
        sums = (self.planted + other.planted, self.missed + other.missed)
        return Tally(*sums, self.invented + other.invented)

    def __str__(self) -> str:
        found = self.planted - self.missed
        return (
            f"{self.planted} planted, {found} found, {self.missed} missed, {self.invented} invented"
        )


def compared(planted: Iterable[tuple[int, int]], found: Iterable[tuple[int, int]]) -> Tally:
    """Compare places (row, bit); one that is found twice was invented once."""
    wanted, got = Counter(planted), Counter(found)
    return Tally(wanted.total(), (wanted - got).total(), (got - wanted).total())


class Bench:
    """A session with an emulated board, and the chip beside it in which faults are planted."""

    def __init__(self, board: Board, session: Session, shuttle: Shuttle) -> None:
        self.board, self.session, self.shuttle = board, session, shuttle
        self.clock = sum(pin.mask for pin in shuttle.pins if pin.name == "clk")

    def plant(self, pattern: Pattern, faults: Iterable[Fault]) -> None:
        """Plant faults in place of those before."""
        pulses = np.cumsum((pattern.pulse & self.clock) != 0).tolist()
        self.board.plant((fault.run, pulses[fault.row], 1 << fault.bit) for fault in faults)

    def run(self, pattern: Pattern, faults: Sequence[Fault]) -> Tally:
        """Run a pattern once with these faults."""
        from harness.board import RunConditions  # noqa: PLC0415  another clock first

        self.plant(pattern, faults)
        capture = self.session.run(pattern, RunConditions(clock_hz=1e6))
        print(".", end="", flush=True)
        return compared([fault[:2] for fault in faults], wrong_bits(capture))

    def judge(self, case: Case, fault: Fault) -> Tally:
        """Let the tool judge a table with one fault: FAIL, or UNSTABLE for one of a single run."""
        from harness.judge import RetryPolicy, examine  # noqa: PLC0415  another clock first

        self.plant(case.pattern, [fault])
        outcome = examine(self.session, case, RetryPolicy()).outcome
        bits = {pin.name: pin.bit for pin in self.shuttle.pins}
        found = [(at.cycle, bits[pin.pin]) for at in outcome.evidence for pin in at.wrong]
        print(".", end="", flush=True)
        verdict = "FAIL" if fault.run == EVERY_RUN else "UNSTABLE"
        return compared([fault[:2]], found if outcome.verdict == verdict else [])


def wrong_bits(capture: Capture) -> Iterator[tuple[int, int]]:
    """Cycle and bit of everything that a run found wrong; by its counts where it keeps no more."""
    counts = Counter[int]()
    for bad in capture.mismatches:
        bits = [bit for bit in range(32) if bad.wrong >> bit & 1]
        counts.update(bits)
        yield from ((bad.cycle, bit) for bit in bits)
    for bit in (Counter(capture.pin_counts) - counts).elements():
        yield -1, bit


def tested(pattern: Pattern) -> list[tuple[int, int]]:
    """Every (row, bit) that is tested, bit by bit."""
    return [
        (row, bit) for bit in range(32) for row in np.flatnonzero(pattern.care >> bit & 1).tolist()
    ]


def pin_by_pin(bench: Bench, pattern: Pattern) -> Tally:
    """Every tested pin is wrong in its first, middle and last vector, each pin in a run."""
    rows: dict[int, list[int]] = {}
    for row, bit in tested(pattern):
        rows.setdefault(bit, []).append(row)
    faults = [[Fault(of[at], bit) for at in (0, len(of) // 2, -1)] for bit, of in rows.items()]
    return sum((bench.run(pattern, some) for some in faults), Tally())


def spread(bench: Bench, pattern: Pattern, random: np.random.Generator) -> Tally:
    """Many bits are wrong in each run, anywhere."""
    places = tested(pattern)
    picks = [random.choice(len(places), SPREAD, replace=False) for _ in range(SPREAD_RUNS)]
    faults = [[Fault(*places[at]) for at in pick] for pick in picks]
    return sum((bench.run(pattern, some) for some in faults), Tally())


def judged(bench: Bench, case: Case, random: np.random.Generator) -> Tally:
    """Bits are wrong in every run of a table, or in one of its runs only."""
    places = tested(case.pattern)
    picks = random.choice(len(places), ALWAYS + ONCE, replace=False).tolist()
    runs = [EVERY_RUN] * ALWAYS + [0] * ONCE
    faults = [(*places[at], run) for at, run in zip(picks, runs, strict=True)]
    return sum((bench.judge(case, Fault(*fault)) for fault in faults), Tally())


def with_backend(board: Board, backend: str, seed: int) -> Target:
    """Plant every kind of fault on a board with one backend."""
    from harness.board import open_session  # noqa: PLC0415  another clock first
    from harness.judge import Case  # noqa: PLC0415  as above
    from harness.table import load_table  # noqa: PLC0415  as above
    from tests.bench.patterns import cut  # noqa: PLC0415  as above

    profile, shuttle = board_of(backend)
    session = open_session(board.port, profile, shuttle)
    print(f"  attached {board.seconds():.2f} s after power-up", flush=True)
    bench = Bench(board, session, shuttle)
    design = shuttle.designs_by_name[DESIGN]
    (spec,) = (spec for spec in design.tables if spec.name == TABLE)
    whole = load_table(spec, design, shuttle)
    short, long = cut(whole, SHORT), cut(whole, CUT.get(backend, len(whole)))
    case = Case("A1", "SP2-0001", "WB-01", shuttle, design, spec, short)
    random = np.random.default_rng(seed)
    session.select(design)
    total = bench.run(short, [])
    parts: dict[str, Callable[[], Tally]] = {
        f"pin by pin, {len(short)} vectors": lambda: pin_by_pin(bench, short),
        f"{SPREAD} a run, {len(long):,} vectors": lambda: spread(bench, long, random),
        f"judged: {ALWAYS} in all runs, {ONCE} in one": lambda: judged(bench, case, random),
    }
    for name, part in parts.items():
        began = time.perf_counter()
        tally = part()
        total += tally
        print(f"  {name:36} {tally}  ({time.perf_counter() - began:.0f} s here)", flush=True)
    session.close()
    clean = total.planted > 0 and not total.missed and not total.invented
    return Target(f"{backend}: every planted fault is found, and no other", str(total), clean)


def main() -> int:
    """Plant faults on a board for each backend."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("firmware")
    parser.add_argument("--backend", choices=BACKENDS)
    parser.add_argument("--seed", type=int, default=17)
    given = parser.parse_args()
    follow_the_board()
    found = []
    for name in [given.backend] if given.backend else BACKENDS:
        print(f"\n== {name}, seed {given.seed}", flush=True)
        with powered(given.firmware, "--faults") as board:
            found.append(with_backend(board, name, given.seed))
    return conclude(found)


if __name__ == "__main__":
    raise SystemExit(main())

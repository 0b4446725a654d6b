"""How well and how cheaply a margin is found: 20 chips with a slow path at a limit of chance.

Twenty virtual boards, each with the real interpreter behind a pseudo-terminal, have a chip whose
slow path has a random limit; the search must end within one achievable step of it on every one.
The same on a model of a board whose limit jitters by 4 % (one sigma) from run to run: there the
true limit, at which 80 % of the runs pass, must lie in the interval that the search gives for it,
widened by one step. Beside it stands what a full grid of the same resolution takes, and the same
for a shmoo. Run with ``python -m tests.bench.margin_search``; it ends with 1 if a limit is missed.
"""

from __future__ import annotations

import random
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

from harness.board import load_profile
from harness.jobs.margin import Wish, search_margins
from harness.jobs.tables import load_jobs
from harness.margin import MarginWorker, SearchMeans, SearchTarget, TrialRule
from harness.rack import Rack, Slot, StopSwitch, cases
from harness.records import MarginKind, MarginRecord
from harness.shuttle import load_shuttle
from harness.store import Store
from harness.virtual.faults import SlowPath
from tests.bench.targets import Target, conclude
from tests.unit.margin.boards import LimitedBoard

ROOT = Path(__file__).parents[2]
DESIGN, NET = "gray", "code[3]"
SEEDS = 20
JITTER = 0.04
SHUTTLE = load_shuttle(ROOT / "vectors/shuttle.toml")
PROFILE = load_profile(ROOT / "ci/wader.toml", SHUTTLE)
RULE = TrialRule()


def limit_of(seed: int) -> float:
    """A limit in Hz between a fifth and nearly twice the declared 50 kHz."""
    return random.Random(seed).uniform(10_000, 95_000)


def targets() -> list[Target]:
    """Print the figures; what they come to."""
    exact, jittery, shmoo = _exact(), _jittery(), _shmoo()
    of = f"of {SEEDS} seeds"
    return [
        Target(f"the limit within one achievable step in {SEEDS} {of}", str(exact), exact == SEEDS),
        Target(
            f"a jittery limit in the interval told in {SEEDS} {of}", str(jittery), jittery == SEEDS
        ),
        Target("a shmoo in less than a tenth of its full grid", f"{shmoo:.0%}", shmoo < 0.1),
    ]


def _exact() -> int:
    """Search real virtual boards; how many limits are right."""
    slots = tuple(
        Slot(
            f"A{seed}",
            "virtual",
            f"WB-{seed:02}",
            f"SP2-{seed:04}",
            (SlowPath(DESIGN, NET, limit_of(seed)),),
        )
        for seed in range(1, SEEDS + 1)
    )
    rack = Rack("margins", SHUTTLE, PROFILE, slots)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "s.sqlite") as store:
        records = search_margins(rack, store, Wish(designs=(DESIGN,)))
    seconds = time.monotonic() - began
    right = [
        record.highest_hz is not None
        and record.failing_hz is not None
        and record.highest_hz <= limit_of(seed) < record.failing_hz
        for seed, record in enumerate(records, 1)
    ]
    print(f"{SEEDS} virtual boards, {seconds:.0f} s: {sum(right)} of {SEEDS} limits right, each")
    print("between two neighbouring rates of the board")
    _costs(records)
    return sum(right)


def _jittery() -> int:
    """Search boards whose limit varies; how many intervals hold the limit."""
    records, widths, right = [], [], 0
    for seed in range(1, SEEDS + 1):
        middle = limit_of(seed)
        record = _model(LimitedBoard(lambda middle=middle: middle, JITTER, seed))  # type: ignore[misc]
        limit = middle * (1 + JITTER * NormalDist().inv_cdf(1 - RULE.share))
        records.append(record)
        low, high = record.noise_low_hz, record.noise_high_hz
        assert low is not None
        assert high is not None
        step = limit * limit / 1e9
        right += low - step <= limit <= high + step
        widths.append((high - low) / limit)
    print(
        f"{SEEDS} boards of {JITTER:.0%} jitter: {right} of {SEEDS} limits within the interval told"
    )
    _costs(records)
    return right


def _shmoo() -> float:
    """Trace the boundary of boards; the bursts it took, as a part of a full grid's."""
    records = [
        _model(LimitedBoard(lambda seed=seed: limit_of(seed)), MarginKind.SAMPLE)  # type: ignore[misc]
        for seed in range(1, SEEDS + 1)
    ]
    rates = {point.rate_hz for record in records for point in record.points}
    trials = statistics.median(record.trials for record in records)
    cells = len(rates) * len(records[0].edges)
    grid = cells * (RULE.min_trials + 16) / 2
    print(
        f"shmoo, rate against sample point: {trials:g} bursts (median); a full grid of {cells} "
        f"cells {grid:,.0f} at least ({trials / grid:.0%})"
    )
    return trials / grid


def _model(board: LimitedBoard, kind: MarginKind = MarginKind.RATE) -> MarginRecord:
    found: list[MarginRecord] = []
    means = SearchMeans(
        PROFILE, lambda _: board, kind, RULE, found.append, lambda _: None, StopSwitch()
    )
    slot = Slot("A1", "virtual", "WB-01", "SP2-0001")
    rack = Rack("margins", SHUTTLE, PROFILE, (slot,))
    tables = cases(rack, slot, load_jobs(rack, [DESIGN]))
    MarginWorker(slot, (SearchTarget("margins", tables, virtual=True),), means, {}).run()
    return replace(found[0], seconds=0.0)


def _costs(records: Sequence[MarginRecord]) -> None:
    """Bursts of a search, and of trying every rate of the board between its bounds."""
    trials = statistics.median(record.trials for record in records)
    points = statistics.median(len(record.points) for record in records)
    first = records[0]
    rates = round(1e9 / first.slowest_hz - 1e9 / first.fastest_hz) + 1
    grid = rates * RULE.min_trials
    print(
        f"  {trials:g} bursts in {points:g} points (median); a full grid of {rates:,} rates takes "
        f"{grid:,} at least ({grid / trials:,.0f} times as many)"
    )


if __name__ == "__main__":
    sys.exit(conclude(targets()))

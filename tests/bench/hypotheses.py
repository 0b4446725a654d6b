"""Predictions of hypotheses: what every intake table would show, and which of them it tells apart.

Run: python -m tests.bench.hypotheses. Prints a line a table, the classes of hypotheses that the
tables cannot tell apart, and the continuity test that follows. Seconds are the processor's.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.board import load_profile
from harness.rehearse import (
    Cache,
    Key,
    Predictions,
    TablePrediction,
    fewest_tables,
    pins_proven,
    predict,
    unconvicted,
)
from harness.rehearse.continuity import is_fault
from harness.shuttle import load_shuttle
from harness.table import load_table
from tests.bench.targets import Target, conclude
from tests.published.generators import VECTORS

WADER = Path(__file__).parents[2] / "ci" / "wader.toml"
COLD_SECONDS, KEPT_SECONDS = 6.0, 0.5


def targets() -> Iterator[Target]:
    """Print what was predicted, and give what it took."""
    shuttle = load_shuttle(VECTORS)
    profile = load_profile(WADER, shuttle)
    jobs = [
        (design, spec, load_table(spec, design, shuttle))
        for design in shuttle.designs
        for spec in design.tables
        if spec.intake
    ]
    predict(shuttle, jobs[-1:], profile)  # load the kernel
    with tempfile.TemporaryDirectory() as folder:
        cache = Cache(Path(folder))
        seconds = []
        for _ in range(2):
            began = time.process_time()
            predictions = predict(shuttle, jobs, profile, cache=cache)
            seconds.append(time.process_time() - began)
    cold, kept = seconds
    asked = f"predictions of {len(jobs)} intake tables, warm, at most {COLD_SECONDS:.0f} s"
    yield Target(asked, f"{cold:.1f} s", cold <= COLD_SECONDS)
    yield Target(
        f"the same from the cache, at most {KEPT_SECONDS} s", f"{kept:.2f} s", kept <= KEPT_SECONDS
    )
    _print_tables(predictions)
    _print_classes(predictions)
    _print_continuity(predictions, fewest_tables(predictions))


def _print_tables(predictions: Predictions) -> None:
    for key, table in predictions.tables.items():
        print(
            f"{'/'.join(key):20s} {predictions.cycles[key]:6d} cycles"
            f" {int(table.convicts.sum()):5d} hypotheses convicted"
            f" {_classes([table]):5d} told apart {int(table.swings.any(axis=1).sum()):5d} swing"
        )


def _classes(tables: Sequence[TablePrediction], *others: str) -> int:
    """Count the hypotheses that answer differently in some table."""
    columns: list[NDArray[np.uint32]] = [
        getattr(table, name)
        for table in tables
        for name in ("wrong_cycles", "pins", "signature", *others)
    ]
    return len(np.unique(np.concatenate(columns, axis=1), axis=0))


def _print_classes(predictions: Predictions) -> None:
    tables = list(predictions.tables.values())
    print(
        f"{len(predictions.hypotheses)} hypotheses, {_classes(tables)} classes by mismatches, "
        f"{_classes(tables, 'floated')} with floating pins as well"
    )


def _print_continuity(predictions: Predictions, tables: Sequence[Key]) -> None:
    missed, proven = unconvicted(predictions, tables), pins_proven(predictions, tables)
    faults = sum(is_fault(hypothesis) for hypothesis in predictions.hypotheses)
    print(
        f"continuity test: {', '.join('/'.join(key) for key in tables)}: "
        f"{sum(predictions.cycles[key] for key in tables)} cycles; "
        f"{faults - len(missed)} of {faults} faults convicted, "
        f"{sum(map(bool, proven.values()))} of {len(proven)} pins proven"
    )


def main() -> int:
    """Print everything; 1 if a target is missed."""
    return conclude(list(targets()))


if __name__ == "__main__":
    raise SystemExit(main())

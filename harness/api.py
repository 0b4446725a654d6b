"""The library's front door: what the command line does, as functions. Shown as ``harness.…``.

One rule: paths may be texts here, and nowhere further in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import harness.rack
import harness.shuttle
import harness.table
from harness.errors import ConfigError, Finding, Location
from harness.jobs.run import run_rack
from harness.judge import RetryPolicy
from harness.rack import Observer, Rack, unobserved
from harness.records import RunRecord, Verdict
from harness.shuttle import Shuttle, nearest
from harness.store import Store
from harness.table import Pattern
from harness_reports import WrittenReports, margins_frame, outcomes_frame, write_run

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Rack",
    "RetryPolicy",
    "RunRecord",
    "Verdict",
    "load_rack",
    "load_shuttle",
    "load_table",
    "margins",
    "outcomes",
    "run",
    "stored_run",
    "write_reports",
]

STORE = "runs/harness.sqlite"
"""The store unless another is named: a file, or any SQLAlchemy URL."""


def load_shuttle(path: str | Path) -> Shuttle:
    """Read ``shuttle.toml`` with all its designs. Raises ConfigError with every finding."""
    return harness.shuttle.load_shuttle(Path(path))


def load_rack(path: str | Path) -> Rack:
    """Read a rack file. Raises ConfigError with every finding."""
    return harness.rack.load_rack(Path(path))


def load_table(shuttle: Shuttle, design: str, table: str) -> Pattern:
    """Read one table of a design as arrays.

    Raises ConfigError for a design or table that the shuttle does not have, TableError with
    every finding if the table cannot be read.
    """
    known = shuttle.designs_by_name
    if design not in known:
        raise _unknown("design", design, known, shuttle.path)
    chosen = known[design]
    specs = {spec.name: spec for spec in chosen.tables}
    if table not in specs:
        raise _unknown("table", table, specs, chosen.folder / "design.toml")
    return harness.table.load_table(specs[table], chosen, shuttle)


def run(
    rack: Rack,
    store: str | Path = STORE,
    designs: Sequence[str] = (),
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
) -> RunRecord:
    """Run tables on every chip of a rack; every outcome is stored as it happens.

    ``designs`` are names or patterns (``crc*``); none means all. ``observe`` is called, from
    several threads, with the events of ``harness.rack``. Raises what ``run_rack`` raises.
    """
    with Store(store) as kept:
        return run_rack(rack, kept, designs, policy, observe)


def stored_run(run_id: str = "", store: str | Path = STORE) -> RunRecord:
    """Read a stored run, the latest unless one is named; an intake too.

    Raises StoreError if there is none.
    """
    with Store.existing(store) as kept:
        return kept.run(run_id) if run_id else kept.latest_run()


def outcomes(record: RunRecord) -> pd.DataFrame:
    """Return a run's outcomes as a DataFrame, one row per table and chip."""
    return outcomes_frame(record)


def margins(store: str | Path = STORE, chip: str = "", design: str = "") -> pd.DataFrame:
    """Return the limits that searches found, oldest first, as a DataFrame: one row per limit.

    Of one chip or one design if named. Raises StoreError if there is no such store.
    """
    with Store.existing(store) as kept:
        return margins_frame(kept.margins(chip=chip, design=design))


def write_reports(record: RunRecord, folder: str | Path) -> WrittenReports:
    """Write a run's reports to ``folder/<run id>``. Raises StoreError if that fails."""
    return write_run(record, Path(folder) / record.run_id)


def _unknown(what: str, name: str, known: Mapping[str, object], path: Path) -> ConfigError:
    return ConfigError(
        [Finding(f"unknown-{what}", Location(path), f'no {what} "{name}"', nearest(name, known))]
    )

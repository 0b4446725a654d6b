"""Write the results of many runs as Parquet files, for data tools."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from harness.jobs.choices import RUNS, STORE
from harness.jobs.stores import AnyStore, existing
from harness.store import ALWAYS
from harness_reports import Scrubber, parquet_files


@dataclass(frozen=True)
class WrittenParquet:
    """How many runs were written, and the files with their numbers of rows."""

    runs: int
    files: Mapping[Path, int]


def write_parquet(
    folder: str | Path = RUNS / "parquet",
    store: AnyStore = STORE,
    since: datetime = ALWAYS[0],
    until: datetime = ALWAYS[1],
) -> WrittenParquet:
    """Write outcomes, causes and wrong pins of all runs, and all margins, of a range of time.

    ``since`` is part of the range, ``until`` is not; both need a time zone. Files of an earlier
    writing are replaced once the new ones are whole. Raises StoreError if there is no such store,
    a file cannot be written, or pyarrow is not installed.
    """
    scrubber = Scrubber()
    with existing(store) as kept, parquet_files(Path(folder)) as files:
        wanted = kept.runs(since, until)
        for run_id in wanted:
            files.add_run(scrubber.record(kept.run(run_id)))
        margins = (one for one in kept.margins() if since <= one.measured < until)
        files.add_margins([scrubber.record(one) for one in margins])
    named = {Path(folder) / f"{name}.parquet": rows for name, rows in files.rows.items()}
    return WrittenParquet(len(wanted), named)

"""Read stored runs as records and reports, outcomes and limits as tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.door import open_to_append
from harness.jobs.beyond import run_folder, with_histories
from harness.jobs.choices import LATEST, RUNS, STORE
from harness.jobs.night import kept_changes
from harness.jobs.stores import AnyStore, existing, named_run
from harness.records import Outcome, RunRecord
from harness_reports import (
    Beyond,
    WrittenReports,
    causes_frame,
    evidence_text,
    margins_frame,
    outcomes_frame,
    run_markdown,
    saying_why,
    write_run,
)

if TYPE_CHECKING:
    import pandas as pd


def stored_run(run: str = LATEST, store: AnyStore = STORE) -> RunRecord:
    """Read a stored run or intake by its id; the latest by default.

    Raises StoreError if there is none.
    """
    with existing(store) as kept:
        return named_run(kept, run)


def write_reports(
    record: RunRecord, folder: str | Path = RUNS, store: AnyStore | None = None
) -> WrittenReports:
    """Write a run's reports to ``folder/<run id>``, those of a night to its folder there.

    With a store they also show the margins of the run's chips, what changed since the rack's run
    before, and links to the reports of other runs in ``folder``; histories of the run's chips,
    designs and slots are written with them. Raises StoreError if that fails.
    """
    out = Path(folder)
    place = run_folder(out, record.run_id)
    news = kept_changes(place)
    if store is None:
        return write_run(record, place, Beyond(night=news))
    with existing(store) as kept:
        limits = kept.margins_behind(record.run_id)
        around = with_histories(record, kept, out, place)
    return write_run(record, place, replace(around, night=news, margins=limits))


def write_summary(record: RunRecord, path: str | Path, lines: Sequence[str] = ()) -> None:
    """Add a short Markdown summary of a run to the end of a file, for a CI job's summary page.

    ``lines`` (of a night) come first. Raises StoreError if the file cannot be written.
    """
    with saying_why(f"{path}: no summary can be written"), open_to_append(Path(path)) as stream:
        stream.write(run_markdown(record, lines).encode("utf-8"))


def outcomes(record: RunRecord) -> pd.DataFrame:
    """Return a run's outcomes as a DataFrame, one row per table and chip."""
    return outcomes_frame(record)


def causes(record: RunRecord) -> pd.DataFrame:
    """Return the causes of a run's failures as a DataFrame, one row per cause."""
    return causes_frame(record)


def margins(store: AnyStore = STORE, chip: str = "", design: str = "") -> pd.DataFrame:
    """Return the limits that were found, oldest first, as a DataFrame with one row per limit.

    ``chip`` and ``design`` select; empty means all. Raises StoreError if there is no such store.
    """
    with existing(store) as kept:
        return margins_frame(kept.margins(chip=chip, design=design))


def evidence(outcome: Outcome) -> str:
    """Write an outcome's evidence as plain lines, as in a JUnit report."""
    return evidence_text(outcome)

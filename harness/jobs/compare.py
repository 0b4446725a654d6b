"""Compare any two runs, as a night is compared with its baseline."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from harness.errors import RunUnfit
from harness.jobs.beyond import beyond, run_folder
from harness.jobs.choices import LATEST, RUNS, STORE
from harness.jobs.morning import morning_lines
from harness.jobs.night_margins import NightMargins
from harness.jobs.stores import AnyStore, existing, named_run
from harness.judge import NightChanges, changes
from harness.records import RunRecord, encode
from harness_reports import Scrubber, baseline_text, write_file, write_since


@dataclass(frozen=True)
class Difference:
    """What a run changed against an earlier one, and the page that shows it."""

    record: RunRecord
    changes: NightChanges
    page: Path

    @property
    def heading(self) -> str:
        """Which run this is, and what it was compared with."""
        kind = self.record.kind.capitalize()
        return f"{kind} {self.record.run_id}, {baseline_text(self.changes)}"

    @property
    def lines(self) -> tuple[str, ...]:
        """The five lines of a night."""
        return morning_lines(self.changes, NightMargins(), self.record.causes)


def compare_runs(
    before: str, run: str = LATEST, store: AnyStore = STORE, out: str | Path = RUNS
) -> Difference:
    """Compare a run with an earlier one, and write the page of it into the run's folder.

    Both are ids; ``run`` may be ``latest``. Chips are compared by their serial numbers. Raises
    StoreError if there is no such run or the page cannot be written, RunUnfit for a run and itself.
    """
    folder = Path(out)
    with existing(store) as kept:
        record = named_run(kept, run)
        if record.run_id == before:
            raise RunUnfit(f"{kept.place}: {before} cannot be compared with itself; name two runs")
        found = Scrubber().record(changes(record, kept.as_baseline(before)))
        around = replace(beyond(record, kept, folder), since=found)
    page = write_since(record, found, run_folder(folder, record.run_id), around)
    return Difference(record, found, page)


def write_changes(difference: Difference, path: str | Path) -> None:
    """Write every change as JSON, in the form of a night's ``night.json``. Raises StoreError."""
    file = Path(path)
    plain = changes_plain(difference.record, difference.changes)
    write_file(file, (json.dumps(plain, indent=1) + "\n").encode(), file.parent)


def changes_plain(record: RunRecord, found: NightChanges) -> dict[str, Any]:
    """Return every change as plain values; ``baseline`` is the run that was compared with."""
    return {"run": record.run_id, **cast("dict[str, Any]", encode(found))}

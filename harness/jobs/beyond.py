"""What lies around the folder of a run's reports: links to what is there when they are written.

One rule: a link is written only to a file that exists, and none out of the folder of all reports.
"""

from __future__ import annotations

from pathlib import Path

from harness.door import is_file, is_there
from harness.judge import changes
from harness.records import RunRecord
from harness.store import Store, of_chip, of_design, of_slot
from harness_reports import (
    Beyond,
    Links,
    history_page,
    safe_name,
    since_page,
    write_histories,
)


def run_folder(out: Path, run_id: str) -> Path:
    """Return the folder of a run's reports: its night's if that is there, else one of its name."""
    night = night_folder(out, run_id)
    return night if is_there(night) else out / safe_name(run_id)


def night_folder(out: Path, run_id: str) -> Path:
    """Return the folder of a night; its name starts with the date, so that nights sort."""
    name = safe_name(run_id)  # the store may be a stranger's
    day, rest = name[:8], name[8:]
    return out / f"night-{day[:4]}-{day[4:6]}-{day[6:]}{rest}"


def run_address(out: Path, run_id: str) -> str:
    """Lead to a run's page from a folder in ``out``; empty if it is not there."""
    return there(out, run_folder(out, run_id) / "index.html")


def there(out: Path, path: Path) -> str:
    """Lead to a file in ``out`` from a folder in it; empty if it is not there."""
    return f"../{path.relative_to(out).as_posix()}" if is_file(path) else ""


def links_in(out: Path) -> Links:
    """Lead from a folder in ``out`` to the runs and histories that are there."""
    histories = out / "history"
    return Links(
        histories=there(out, histories / "index.html"),
        subject=lambda which: there(out, histories / history_page(which)),
        run=lambda run_id: run_address(out, run_id),
        since=since_page,
    )


def with_histories(record: RunRecord, store: Store, out: Path, place: Path) -> Beyond:
    """Write the histories of a run's chips, designs and slots; give what lies around the run.

    ``place`` is the folder in ``out`` that the run's own pages are written to next. Raises
    StoreError.
    """

    def address(run_id: str) -> str:
        own = run_id == record.run_id
        return f"../{place.name}/index.html" if own else run_address(out, run_id)

    subjects = (
        *(of_chip(chip.chip_serial) for chip in record.chips),
        *(of_slot(record.rack, chip.slot) for chip in record.chips),
        *(of_design(outcome.design) for outcome in record.outcomes),
    )
    write_histories(store, tuple(dict.fromkeys(subjects)), out / "history", address)
    return beyond(record, store, out)


def beyond(record: RunRecord, store: Store, out: Path) -> Beyond:
    """Find the runs around a run, its histories, and what it changed since the run before.

    Links are as seen from a run's folder in ``out``. Raises StoreError.
    """
    links = links_in(out)
    before, after = store.beside(record.run_id)
    if before is None:
        return Beyond(links, None, after)
    return Beyond(links, before, after, changes(record, store.as_baseline(before.run_id)))

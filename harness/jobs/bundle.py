"""Write one chip of a run as one file for a ticket."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.bundle import MAX_FILE_BYTES, MadeBundle, Places, make_bundle
from harness.door import is_there, read_file
from harness.errors import FileUnusable, StoreError
from harness.jobs.choices import LATEST, RUNS, STORE
from harness.jobs.stores import AnyStore, existing, named_run
from harness_reports import is_ticket, safe_name, write_file


@dataclass(frozen=True)
class WrittenBundle:
    """A bundle, its file, and the file of its Markdown text."""

    made: MadeBundle
    path: Path
    text: Path


def write_bundle(
    chip: str,
    design: str = "",
    run: str = LATEST,
    path: str | Path | None = None,
    places: Places | None = None,
    store: AnyStore = STORE,
) -> WrittenBundle:
    """Write a chip's report, evidence and inputs into one zip, and beside it a text to paste.

    The text of ``x.zip`` is ``x.ticket.md``; without a path both go into the run's folder of
    reports. ``design`` leaves out all other designs. The run's files are searched for below the
    current folder unless ``places`` names them. Raises BundleError if the chip or design is not
    in the run, a file has changed since, or the bundle would be too large; StoreError if there is
    no such run, a file cannot be written, or a file that is not a bundle's text is in the way.
    """
    with existing(store) as kept:
        record = named_run(kept, run)
    name = ".".join(safe_name(part) for part in ("bundle", chip, design) if part)
    place = Path(path) if path is not None else RUNS / safe_name(record.run_id) / f"{name}.zip"
    made = make_bundle(record, chip, design, places)
    text = place.with_suffix(".ticket.md")
    _check_ours(text)
    write_file(place, made.data, place.parent)
    write_file(text, made.ticket.encode("utf-8"), place.parent)
    return WrittenBundle(made, place, text)


def _check_ours(text: Path) -> None:
    try:
        ours = not is_there(text) or is_ticket(read_file(text, MAX_FILE_BYTES))
    except FileUnusable:
        ours = False
    if not ours:
        message = f"{text} exists and is not the text of a bundle; move it, or give another --out"
        raise StoreError(message)

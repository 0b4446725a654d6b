"""The nightly job: run everything, compare with the accepted baseline, write one dated folder.

One rule: the summary fits in five lines; everything else is in the folder.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path

from harness.door import MAX_RECORD_BYTES, is_file, is_there, read_file
from harness.errors import StoreError
from harness.jobs.beyond import night_folder, with_histories
from harness.jobs.choices import RUNS, STORE
from harness.jobs.compare import changes_plain
from harness.jobs.event_line import event_line
from harness.jobs.log import LogFile, tool_log
from harness.jobs.morning import morning_lines
from harness.jobs.night_margins import NightMargins, search_at_night
from harness.jobs.run import check_resumable, check_same, id_to_resume, new_run, run_from
from harness.jobs.stale import warn_of_stale
from harness.jobs.stores import AnyStore, opened, patiently
from harness.jobs.tables import load_jobs
from harness.judge import Baseline, NightChanges, RetryPolicy, changes
from harness.margin import MarginEvent, MarginFound
from harness.rack import (
    Event,
    Job,
    Observer,
    Rack,
    RackNews,
    StopSwitch,
    as_news,
    unobserved,
)
from harness.records import RunRecord, decode, encode, to_value
from harness.store import Store
from harness_reports import (
    Scrubber,
    WrittenReports,
    baseline_text,
    limit_text,
    remove_file,
    saying_why,
    write_file,
    write_run,
)

NIGHT_FILE = "night.json"

_SCRUBBER = Scrubber()
"""The folder may be shared: host paths and passwords are removed from every file in it."""


@dataclass(frozen=True)
class Night:
    """A finished night: its run, what changed, and where its files are.

    ``log_lost`` says what could not be written to ``night.log``, and why; empty if nothing.
    """

    record: RunRecord
    changes: NightChanges
    reports: WrittenReports
    margins: NightMargins
    log_lost: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """The five lines, and one on margins if any were searched."""
        return morning_lines(self.changes, self.margins, self.record.causes)

    @property
    def heading(self) -> str:
        """Which night this is, what it was compared with, and whether it was stopped."""
        record = self.record
        against = baseline_text(self.changes) if self.changes.baseline else "no baseline yet"
        stopped = "; it was stopped" if record.cancelled else ""
        return f"Night {record.run_id} of {_SCRUBBER.text(record.rack)}, {against}{stopped}"

    @property
    def folder(self) -> Path:
        """The dated folder with everything."""
        return self.reports.folder


def night(
    rack: Rack,
    store: AnyStore = STORE,
    out: str | Path = RUNS,
    resume: str = "",
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
) -> Night:
    """Run every table on every slot and compare with the baseline, the run accepted last.

    The folder ``out/night-<date>-<time>-<id>`` gets the reports, ``night.log`` during the night,
    ``night.json`` and ``night.txt``. ``resume`` is a run that was killed or stopped, a finished run
    whose night ended before these files were written, or ``latest``.
    Raises what ``harness.run`` raises, and StoreError if the folder cannot be written.
    """
    switch = stop if stop is not None else StopSwitch()
    with opened(store) as kept:
        run_id, jobs = id_to_resume(kept, resume), load_jobs(rack, (), as_news(observe))
        warn_of_stale(jobs, as_news(observe))
        run = _begun(run_id, rack, kept, jobs, Path(out))
        folder = night_folder(Path(out), run.run_id)
        with _night_log(folder) as log:
            log.write(f"run {run.run_id} of rack {rack.name}{', resumed' if run_id else ''}")
            if run_id:  # an earlier summary must not remain if this attempt ends early too
                for name in (NIGHT_FILE, "night.txt"):
                    remove_file(folder / name, folder)
            hear = _logged(log, observe)
            if not _is_whole(run):
                run = run_from(run, rack, kept, jobs, policy, hear, switch)
            return _compared(run, rack, kept, Path(out), log, hear, switch)


def _compared(
    record: RunRecord,
    rack: Rack,
    store: Store,
    out: Path,
    log: LogFile,
    hear: Observer,
    stop: StopSwitch,
) -> Night:
    """Search a finished run's margins, compare it with the baseline, and close its night."""

    def hear_margin(event: MarginEvent) -> None:
        if isinstance(event, MarginFound):
            one = event.record
            log.write(f"{one.slot}  {one.chip_serial}  {one.design}  {limit_text(one)}")
        elif isinstance(event, RackNews):
            hear(event)

    baseline = _baseline(record, store, hear)
    margins = search_at_night(rack, store, record, baseline, hear_margin, stop)
    found = _SCRUBBER.record(changes(record, baseline))
    for line in morning_lines(found, margins, record.causes):
        log.write(line)
    return replace(_close(record, found, out, margins, store), log_lost=log.lost)


def _close(
    record: RunRecord, found: NightChanges, out: Path, margins: NightMargins, store: Store
) -> Night:
    """Write the files of a night; an error of writing includes the summary."""
    folder = night_folder(out, record.run_id)
    try:
        around = with_histories(record, store, out, folder)
        reports = write_run(record, folder, replace(around, night=found, margins=margins.kept))
        night = Night(record, found, reports, margins)
        plain = changes_plain(record, found)
        plain["margin_drops"] = [encode(drop) for drop in margins.drops]
        text = "\n".join((night.heading, *night.lines)) + "\n"
        write_file(folder / "night.txt", text.encode(), folder)
        whole = json.dumps(plain, indent=1) + "\n"
        write_file(folder / NIGHT_FILE, whole.encode(), folder)  # last: it marks a closed night
    except StoreError as error:
        lines = morning_lines(found, margins, record.causes)
        advice = f"`harness nightly --resume {record.run_id}` with the rack file writes them"
        raise StoreError(f"{error}; {advice}. The night found:", *lines) from error
    return night


def _begun(run_id: str, rack: Rack, store: Store, jobs: Sequence[Job], out: Path) -> RunRecord:
    """Begin a run, or return the one to continue; a finished one if its night was never closed."""
    if not run_id:
        return new_run(rack)
    run = store.run_to_resume(run_id)
    if not _is_whole(run) or is_there(night_folder(out, run_id) / NIGHT_FILE):
        return check_resumable(run_id, rack, store, jobs)
    check_same(run, rack, jobs)
    return run


def _is_whole(run: RunRecord) -> bool:
    return run.finished is not None and not run.cancelled


def _baseline(record: RunRecord, store: Store, hear: Observer) -> Baseline | None:
    """Read a night's baseline; waits until Ctrl-C for a store that is away."""
    try:
        with patiently(store, hear, StopSwitch()):
            return store.baseline(record)
    except StoreError as error:
        raise StoreError(
            f"{error}; the whole run is kept, and `harness report {record.run_id}` writes its "
            "reports, but it was not compared with a baseline"
        ) from error


def kept_changes(folder: Path) -> NightChanges | None:
    """Read what a closed night changed from its folder; None for any other folder.

    Raises FileUnusable and, if its file is damaged, StoreError.
    """
    path = folder / NIGHT_FILE
    if not is_file(path):
        return None
    try:
        plain = to_value(read_file(path, MAX_RECORD_BYTES))
        names = {field.name for field in fields(NightChanges)}
        return decode(NightChanges, {key: plain[key] for key in names & set(plain)}, "night")
    except (ValueError, TypeError) as error:
        message = f"{path}: the night's file cannot be read ({error}); remove it to go on"
        raise StoreError(message) from error


@contextmanager
def _night_log(folder: Path) -> Iterator[LogFile]:
    """Open ``night.log``, and log what ended the night; raises StoreError."""
    with tool_log(folder / "night.log") as log:
        with saying_why(f"{log.path}: the log cannot be written"):
            log.open()
        try:
            yield log
        except BaseException as error:
            log.write(f"ended by {type(error).__name__}: {error}")
            raise


def _logged(log: LogFile, observe: Observer) -> Observer:
    """Log each event that has a line, and pass every event on."""

    def hear(event: Event) -> None:
        text = event_line(event, _at_port, lambda one: f"{one.verdict}  {one.summary}")
        if text:
            log.write(text)
        observe(event)

    return hear


def _at_port(port: str) -> str:
    return f"connecting to the board at {port or 'its USB port'}"

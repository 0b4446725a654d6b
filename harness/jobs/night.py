"""The nightly job: run everything, compare with the accepted baseline, leave one dated folder.

One rule: what a person reads in the morning fits in five lines; everything else is in the folder.
"""

from __future__ import annotations

import json
import logging
import threading
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from harness.door import is_there, open_to_append
from harness.errors import StoreError
from harness.jobs.night_margins import NightMargins, margin_line, search_at_night
from harness.jobs.run import (
    Job,
    check_resumable,
    check_same,
    load_rack_jobs,
    new_run,
    patiently,
    run_from,
)
from harness.judge import NOT_PART, Baseline, Change, NightChanges, RetryPolicy, changes
from harness.margin import MarginEvent, MarginFound
from harness.rack import (
    LOG,
    Event,
    Observer,
    Rack,
    RackNews,
    SlotConnecting,
    SlotFinished,
    SlotRecovering,
    StopSwitch,
    TableJudged,
    unobserved,
)
from harness.records import RunRecord, Verdict, encode
from harness.store import Store
from harness_reports import (
    Scrubber,
    WrittenReports,
    limit_text,
    remove_file,
    why_unwritable,
    write_file,
    write_run,
)

SHOWN_CHIPS = 4
"""So many chips are named in a line, and so many tables of each; the folder has them all."""

SHOWN_TABLES = 2

_SCRUBBER = Scrubber()
"""The folder may be given to others: host paths and passwords stay out of every file in it."""


@dataclass(frozen=True)
class Night:
    """A finished night: its run, what changed, and where its files are."""

    record: RunRecord
    changes: NightChanges
    reports: WrittenReports
    margins: NightMargins = field(default_factory=NightMargins)

    @property
    def lines(self) -> tuple[str, ...]:
        """What a person must know: the five lines, and one on margins where any were searched."""
        return morning_lines(self.changes, self.margins)

    @property
    def heading(self) -> str:
        """Which night this is, what it was compared with, and whether it is whole."""
        found, record = self.changes, self.record
        against = f"compared with {found.baseline}" if found.baseline else "no baseline yet"
        stopped = "; it was stopped" if record.cancelled else ""
        return f"Night {record.run_id} of {_SCRUBBER.text(record.rack)}, {against}{stopped}"

    @property
    def folder(self) -> Path:
        """The dated folder with everything."""
        return self.reports.folder


def run_night(
    rack: Rack,
    store: Store,
    out: Path,
    resume: str = "",
    policy: RetryPolicy | None = None,
    observe: Observer = unobserved,
    stop: StopSwitch | None = None,
) -> Night:
    """Run every table on every slot and compare with the run that was accepted last.

    The folder ``out/night-<date>-<time>-<id>`` gets the reports, ``night.log`` while the night
    goes on, ``night.json`` and ``night.txt``. ``resume`` is a run that was killed or stopped, or
    one that is finished and whose night ended before these files were written.
    Raises what ``run_rack`` and ``resume_rack`` raise, and StoreError if the folder cannot be
    written.
    """
    jobs = load_rack_jobs(rack)
    switch = stop if stop is not None else StopSwitch()
    before = _to_close(resume, rack, store, jobs, out)
    run = before or (check_resumable(resume, rack, store, jobs) if resume else new_run(rack))
    folder = night_folder(out, run.run_id)
    with NightLog(folder, observe) as log:
        log.write(f"run {run.run_id} of rack {rack.name}{', resumed' if resume else ''}")
        if resume:  # what it found so far is not the night, should this end too soon as well
            for name in ("night.json", "night.txt"):
                remove_file(folder / name, folder)
        record = before or run_from(run, rack, store, jobs, policy, log, switch)
        baseline = _baseline(record, store, log)
        tell = log.hear_margin
        margins = search_at_night(rack, store, record, baseline, tell, switch, log)
        found = _SCRUBBER.record(changes(record, baseline))
        for line in morning_lines(found, margins):
            log.write(line)
        return _closed(record, found, out, margins)


def _closed(record: RunRecord, found: NightChanges, out: Path, margins: NightMargins) -> Night:
    """Close a night; one that cannot be written is told all the same."""
    try:
        return close_night(record, found, out, margins)
    except StoreError as error:
        told = morning_lines(found, margins)
        advice = f"`harness nightly --resume {record.run_id}` with the rack file writes them"
        raise StoreError(f"{error}; {advice}. The night found:", *told) from error


def _to_close(
    resume: str, rack: Rack, store: Store, jobs: Sequence[Job], out: Path
) -> RunRecord | None:
    """Find a finished run whose night was never closed; None if there is something to run."""
    if not resume or is_there(night_folder(out, resume) / "night.json"):
        return None
    run = store.run_to_resume(resume)
    if run.finished is None or run.cancelled:
        return None
    check_same(run, rack, jobs)
    return run


def _baseline(record: RunRecord, store: Store, log: NightLog) -> Baseline | None:
    """Read what a night is compared with; a store that is away is waited for until Ctrl-C."""
    try:
        with patiently(store, log, StopSwitch()):
            return store.baseline(record)
    except StoreError as error:
        message = (
            f"{error}; the run is kept whole, and `harness report {record.run_id}` writes its "
            "reports, but it was compared with nothing"
        )
        raise StoreError(message) from error


def close_night(
    record: RunRecord, found: NightChanges, out: Path, margins: NightMargins | None = None
) -> Night:
    """Write a night's folder. Raises StoreError."""
    folder = night_folder(out, record.run_id)
    searched = margins or NightMargins()
    reports = write_run(record, folder, known_failures(found), found, searched.kept)
    night = Night(record, found, reports, searched)
    plain = {"run": record.run_id, **cast("dict[str, Any]", encode(found))}
    plain["margin_drops"] = [encode(drop) for drop in night.margins.drops]
    text = "\n".join((night.heading, *night.lines)) + "\n"
    write_file(folder / "night.txt", text.encode(), folder)
    whole = json.dumps(plain, indent=1) + "\n"
    write_file(folder / "night.json", whole.encode(), folder)  # last: it marks a closed night
    return night


def known_failures(found: NightChanges) -> frozenset[tuple[str, str, str]]:
    """Chip, design and table of every FAIL, UNSTABLE and ERROR that the baseline has just so."""
    places = (*found.unstable, *found.untested, *found.unchanged)
    return frozenset(
        (change.chip_serial, change.design, change.table)
        for change in places
        if change.known and (change.now.failed or change.now is Verdict.ERROR)
    )


def night_folder(out: Path, run_id: str) -> Path:
    """Return the folder of a night; its name begins with the date, so that nights sort."""
    day, rest = run_id[:8], run_id[8:]
    return out / f"night-{day[:4]}-{day[4:6]}-{day[6:]}{rest}"


def morning_lines(found: NightChanges, margins: NightMargins) -> tuple[str, ...]:
    """Tell what a night found: five lines, and one on margins where any were searched."""
    return (*five_lines(found), *(_SCRUBBER.text(line) for line in margin_line(margins)))


def five_lines(found: NightChanges) -> tuple[str, ...]:
    """Tell what a person must know: five lines, always the same five, nothing colours them."""
    rows = (
        ("newly failing", found.newly_failing, _named(found.newly_failing)),
        ("newly fixed", found.newly_fixed, _named(found.newly_fixed)),
        ("unstable", found.unstable, _named(found.unstable)),
        ("could not be tested", found.untested, _named(found.untested)),
        ("unchanged", found.unchanged, _counted(found)),
    )
    return tuple(f"{name:<19}  {len(places):>5}  {told}".rstrip() for name, places, told in rows)


def _named(found: Sequence[Change]) -> str:
    """``SP2-0003 crc16/check, crc16/stream; … (13 known)``: known ones are only counted."""
    chips: dict[str, list[str]] = {}
    for change in found:
        if not change.known:
            where = f"{change.slot} " if not change.now.judged else ""  # somebody walks there
            tables = chips.setdefault(f"{where}{change.chip_serial}", [])
            tables.append(f"{change.design}/{change.table}")
    told = [f"{chip} {_some(tables, SHOWN_TABLES, ', ')}" for chip, tables in chips.items()]
    return _with_remarks(_some(told, SHOWN_CHIPS, "; "), found)


def _with_remarks(told: str, found: Sequence[Change]) -> str:
    """Add how many of the changes are something special, each counted once."""
    counts = Counter(_remark(change) for change in found)
    remark = ", ".join(f"{counts[what]} {what}" for what in _REMARKS if counts[what])
    return f"{told} ({remark})".lstrip() if remark else told


_RAN_OUT, _DIFFERENT, _ONLY_BEFORE = "waiver ran out", "failed otherwise before", "not in this run"
_WAIVED_BEFORE, _ONE_RUN = "waived before", "unstable before, passed in one run"
_NEWLY_WAIVED, _NEW, _KNOWN = "newly waived", "not in the baseline", "known"
_REMARKS = (
    _KNOWN,
    _RAN_OUT,
    _WAIVED_BEFORE,
    _DIFFERENT,
    _ONLY_BEFORE,
    _ONE_RUN,
    _NEWLY_WAIVED,
    _NEW,
)


def _remark(change: Change) -> str:
    """What somebody must know of a change beside its place; empty if nothing."""
    was, now = change.before, change.now
    special = {
        _RAN_OUT: change.ran_out,
        _KNOWN: change.known and now is not Verdict.PASS and now is not Verdict.WAIVED,
        _ONLY_BEFORE: change.why == NOT_PART,
        _WAIVED_BEFORE: was is Verdict.WAIVED and now is Verdict.FAIL,
        _DIFFERENT: was is now and now.failed,
        _ONE_RUN: was is Verdict.UNSTABLE and now is Verdict.PASS,
        _NEWLY_WAIVED: now is Verdict.WAIVED and was is not Verdict.WAIVED,
        _NEW: was is None and now is Verdict.PASS,
    }
    return next((what for what, so in special.items() if so), "")


def _some(texts: Sequence[str], most: int, between: str) -> str:
    shown = between.join(texts[:most])
    return shown if len(texts) <= most else f"{shown}{between}{len(texts) - most} more"


def _counted(found: NightChanges) -> str:
    """``189 PASS, 2 FAIL (1 newly waived)``; without a baseline nothing is new to it."""
    counts = Counter(change.now for change in found.unchanged)
    told = ", ".join(f"{number} {verdict}" for verdict, number in sorted(counts.items()))
    news = [c for c in found.unchanged if _remark(c) in {_NEWLY_WAIVED, _NEW} and found.baseline]
    return _with_remarks(told, news)


class NightLog:
    """Writes each event to ``night.log`` as it happens, and hands it on. Any thread may call.

    A traceback of a fault of this program stands there too.
    """

    def __init__(self, folder: Path, observe: Observer) -> None:
        self._path = folder / "night.log"
        self._observe = observe
        self._lock = threading.Lock()
        self._faults = _Faults(self)

    def __enter__(self) -> Self:
        """Open the log; raises StoreError if that fails."""
        try:
            self._stream = open_to_append(self._path)
        except OSError as error:
            message = f"{self._path}: the log cannot be written: {why_unwritable(error)}"
            raise StoreError(message) from error
        LOG.addHandler(self._faults)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            self.write(f"ended by {type(error).__name__}: {error}")
        LOG.removeHandler(self._faults)
        with suppress(OSError):  # what a full disk did not take is written again here
            self._stream.close()

    def __call__(self, event: Event) -> None:
        """Log an event that is worth a line."""
        text = _line(event)
        if text:
            self.write(text)
        self._observe(event)

    def hear_margin(self, event: MarginEvent) -> None:
        """Log a search that ended."""
        if isinstance(event, MarginFound):
            one = event.record
            self.write(f"{one.slot}  {one.chip_serial}  {one.design}  {limit_text(one)}")

    def write(self, text: str) -> None:
        """Write one line with the time before it; a full disk costs the log, not the night."""
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        with self._lock:
            try:
                line = f"{now}  {_SCRUBBER.text(' '.join(text.splitlines()))}\n"
                self._stream.write(line.encode("utf-8", "backslashreplace"))
                self._stream.flush()
            except OSError:
                return


class _Faults(logging.Handler):
    """Hands tracebacks to a night's log, line by line."""

    def __init__(self, log: NightLog) -> None:
        super().__init__()
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        """Write one."""
        for line in self.format(record).splitlines():
            self._log.write(line)


def _line(event: Event) -> str:
    match event:
        case SlotConnecting(slot=slot, chip=chip, port=port):
            return f"{slot}  {chip}  reaching the board at {port or 'its USB port'}"
        case SlotRecovering(slot=slot, text=text):
            return f"{slot}  {text}"
        case TableJudged(slot=slot, outcome=o):
            return f"{slot}  {o.chip_serial}  {o.design}/{o.table}  {o.verdict}  {o.summary}"
        case SlotFinished(slot=slot, trouble=trouble):
            return f"{slot}  cannot be used: {trouble}" if trouble else f"{slot}  finished"
        case RackNews(text=text):
            return text
        case _:
            return ""

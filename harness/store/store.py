"""The store's verbs, in the words of the domain. Any thread may call them.

One rule: once a ``start_…``, ``record_…`` or ``finish_…`` verb has returned, its data survives a
crash; when it raises, everything recorded before is still there.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Self, TypeVar

from sqlalchemy import ColumnElement, Connection, Engine, insert, or_, select, update

from harness.judge import Baseline
from harness.records import (
    Cause,
    ChipHeading,
    ChipOfRun,
    ChipRecord,
    DesignOfRun,
    HandoverRecord,
    MarginRecord,
    Outcome,
    Overruling,
    RunHeading,
    RunKind,
    RunOverview,
    RunRecord,
    SlotPins,
    Verdict,
)
from harness.store.baseline import has_judged, read_as_baseline, read_baseline
from harness.store.causes import put_causes, put_overruling
from harness.store.continuity import put_continuity
from harness.store.damage import undamaged
from harness.store.engine import (
    WhenEmpty,
    busy_seconds,
    make_none,
    make_store,
    open_engine,
    shown_place,
    store_url,
    translated,
)
from harness.store.glance import Glance, read_glance, read_racks
from harness.store.handovers import put_handover, read_handovers
from harness.store.history import History, read_history, read_subjects
from harness.store.inserts import Row, put_chips, put_outcomes
from harness.store.margins import about, behind, latest_of, put_margin, read_margins
from harness.store.models import NEWEST, RunRow
from harness.store.patience import PATIENCE_SECONDS, Asked, Patience, Tell
from harness.store.records import (
    ALWAYS,
    chip_row,
    is_begun,
    outcome_rows,
    read_beside,
    read_chip,
    read_chips,
    read_design,
    read_designs,
    read_heading,
    read_headings,
    read_overview,
    read_run,
    read_run_ids,
    run_row,
    unknown_run,
)
from harness.store.refusals import (
    none_kept,
    nothing_judged,
    refuse_as_baseline,
    refuse_to_resume,
)
from harness.store.standings import Standings, read_standings, read_verdicts
from harness.store.summaries import Selection, mark_changed, summarise, summarise_older
from harness.store.together import Together
from harness.store.transactions import reading, writing

LEFT_OVER = timedelta(days=1)
"""A run without summaries that is older than this when another starts must have been killed."""

T = TypeVar("T")


class Store:
    """Every run, its chips and their outcomes, in one database.

    ``where`` is a file path (SQLite) or any SQLAlchemy URL of SQLite or PostgreSQL. A missing
    SQLite file is created with its folder, unless ``when_empty`` raises. ``patience`` is how many
    seconds a verb waits for a database that is away, within :meth:`waiting` only. Raises StoreError
    if it cannot be opened, is another program's, or has a schema of another version.
    """

    def __init__(
        self,
        where: str | Path,
        patience: float = PATIENCE_SECONDS,
        when_empty: WhenEmpty = make_store,
    ) -> None:
        url = store_url(where)
        self.place = shown_place(url)
        self._engine: Engine = open_engine(url, when_empty)
        self._patience = Patience(self.place, patience)
        self._writing = threading.Lock()
        self._together = Together(self._writing, self._commit_outcomes)

    @classmethod
    def existing(cls, where: str | Path) -> Self:
        """Open a store to read from; raises StoreError if there is none, and makes none."""
        return cls(where, when_empty=make_none)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def waiting(self, tell: Tell, to_end: Asked) -> AbstractContextManager[None]:
        """Have every verb wait, inside, for a database that is away: stopped, or locked.

        ``tell`` gets a sentence when it goes and one when it is back. Once ``to_end`` returns
        True the wait ends and the verbs raise. Any thread may call both.
        """
        return self._patience.while_told(tell, to_end)

    def start_run(self, run: RunRecord) -> None:
        """Keep a run's heading with the chips and outcomes that it has already, all or nothing."""
        outcomes = outcome_rows(run.run_id, run.outcomes)

        def start(connection: Connection) -> None:
            summarise_older(connection, run.started - LEFT_OVER)
            if not is_begun(connection, run):
                connection.execute(insert(RunRow), [run_row(run)])
            put_chips(connection, run.run_id, [chip_row(chip) for chip in run.chips])
            put_outcomes(connection, outcomes)

        self._write(start)

    def record_chip(self, run_id: str, chip: ChipRecord) -> None:
        """Keep a chip's identity, over the earlier one of its slot, and its outcomes."""
        outcomes = outcome_rows(run_id, chip.outcomes)

        def record(connection: Connection) -> None:
            put_chips(connection, run_id, [chip_row(chip)])
            if outcomes:
                mark_changed(connection, run_id)
                put_outcomes(connection, outcomes)

        self._write(record)

    def record_outcome(self, run_id: str, outcome: Outcome) -> None:
        """Keep one outcome, over an earlier one of the same slot, design and table.

        Outcomes that other threads record meanwhile are committed together with it. Raises
        StoreError if the chip of its slot was not recorded before.
        """
        self.record_outcomes(run_id, (outcome,))

    def record_outcomes(self, run_id: str, outcomes: Iterable[Outcome]) -> None:
        """Keep many outcomes at once, all or nothing; otherwise as :meth:`record_outcome`."""
        rows = outcome_rows(run_id, outcomes)
        if rows:
            self._together.keep(rows)

    def record_causes(self, run_id: str, causes: Sequence[Cause]) -> None:
        """Keep a run's causes, in the place of earlier ones."""
        self._write(lambda connection: put_causes(connection, run_id, causes))

    def record_continuity(self, run_id: str, pins: SlotPins) -> None:
        """Keep the continuity test of a slot, in the place of an earlier one."""
        self._write(lambda connection: put_continuity(connection, run_id, pins))

    def overrule(self, run_id: str, key: str, overruling: Overruling) -> None:
        """Keep a person's decision on a cause, beside it.

        Raises RunUnfit if there is no such run, or the run has no such cause.
        """

        def overrule(connection: Connection) -> None:
            self._heading(connection, run_id)
            put_overruling(connection, run_id, key, overruling, self.place)

        self._write(overrule)

    def finish_run(self, run_id: str, finished: datetime, *, cancelled: bool) -> None:
        """Mark a run as over; ``cancelled`` is a fact about it, not a mode."""

        def finish(connection: Connection) -> None:
            self._change(connection, run_id, finished=finished, cancelled=cancelled)
            with undamaged(f"{self.place}: run {run_id}"):
                summarise(connection, run_id)

        self._write(finish)

    def run(self, run_id: str) -> RunRecord:
        """Read one run whole. Raises StoreError if there is no such run."""
        return self._read(lambda connection: self._whole(connection, run_id))

    def latest_run(self, kind: RunKind | None = None) -> RunRecord:
        """Read the run that was started last, of one kind or of any.

        Raises StoreError if there is none.
        """
        of_kind = (RunRow.kind == kind,) if kind is not None else ()
        wanted = select(RunRow.run_id).where(*of_kind).order_by(*NEWEST).limit(1)

        def read(connection: Connection) -> RunRecord:
            run_id = connection.scalar(wanted)
            if run_id is None:
                raise none_kept(self.place, kind)
            return self._whole(connection, run_id)

        return self._read(read)

    def runs(self, since: datetime = ALWAYS[0], until: datetime = ALWAYS[1]) -> tuple[str, ...]:
        """List the ids of the runs that began at ``since`` or later, before ``until``, in order."""
        return self._read(lambda connection: read_run_ids(connection, since, until))

    def run_to_resume(self, run_id: str) -> RunRecord:
        """Read a run that may go on; raises StoreError if there is none, RunUnfit for an intake."""
        run = self.run(run_id)
        refuse_to_resume(self.place, run)
        return run

    def resume_run(self, run_id: str) -> None:
        """Mark a run as under way again; raises as :meth:`run_to_resume`."""

        def resume(connection: Connection) -> None:
            refuse_to_resume(self.place, self._heading(connection, run_id))
            self._change(connection, run_id, finished=None, cancelled=False)

        self._write(resume)

    def accept(self, run_id: str, when: datetime, why: str = "") -> None:
        """Make a finished run the baseline of its rack.

        Raises RunUnfit for a run that is not there, not finished or was stopped, for one
        without verdicts, and for an intake.
        """

        def accept(connection: Connection) -> None:
            refuse_as_baseline(self.place, self._heading(connection, run_id))
            if not has_judged(connection, run_id):
                raise nothing_judged(self.place, run_id)
            self._change(connection, run_id, accepted=when, accepted_why=why)

        self._write(accept)

    def baseline(self, of: RunHeading) -> Baseline | None:
        """Read the verdicts that a run is compared with; None if nothing was accepted yet.

        That is the other run of its rack and shuttle that was accepted last.
        """
        return self._read(lambda connection: read_baseline(connection, of))

    def as_baseline(self, run_id: str) -> Baseline:
        """Read any run's verdicts, to compare another with. Raises StoreError without it."""
        return self._read(lambda c: read_as_baseline(c, self._heading(c, run_id)))

    def history(self, which: Selection) -> History:
        """Read every table of a chip, design or slot, and every run."""
        return self._read(lambda connection: read_history(connection, which))

    def subjects(self) -> tuple[Selection, ...]:
        """List every chip, design and slot that has a :meth:`history`, in this order."""
        return self._read(read_subjects)

    def standings(self) -> Standings:
        """Read how every chip, design and slot did over all runs, and how the racks did lately."""
        return self._read(read_standings)

    def verdicts(self, run_ids: Collection[str]) -> Mapping[str, Verdict]:
        """Read the worst verdict on a chip in each of these runs that has summaries."""
        return self._read(lambda connection: read_verdicts(connection, run_ids))

    def racks(self) -> tuple[str, ...]:
        """List the names of all racks that ever ran, the latest first."""
        return self._read(read_racks)

    def headings(self, rack: str | None = None, most: int = 20) -> tuple[RunHeading, ...]:
        """Read the headings of the latest runs, of one rack or of all, newest first."""
        of_rack = (RunRow.rack == rack,) if rack is not None else ()
        latest = select(RunRow.run_id).where(*of_rack).order_by(*NEWEST).limit(most)
        return self._read(lambda connection: read_headings(connection, latest))

    def glance(self, run_id: str) -> Glance:
        """Read the state of a run, slot by slot, without its evidence.

        Raises StoreError if there is no such run.
        """
        return self._read(lambda connection: read_glance(connection, run_id, self.place))

    def chips(self, run_id: str) -> tuple[ChipHeading, ...]:
        """Read the headings of a run's chips; none if there is no such run."""
        return self._read(lambda connection: read_chips(connection, run_id))

    def chip(self, run_id: str, slot: str) -> ChipOfRun:
        """Read one chip of a run, with its outcomes.

        Raises StoreError if there is no such run, or it has no such slot.
        """
        return self._read(lambda connection: read_chip(connection, run_id, slot, self.place))

    def designs(self, run_id: str) -> tuple[str, ...]:
        """List the designs of a run, in its order; none if there is no such run."""
        return self._read(lambda connection: read_designs(connection, run_id))

    def design(self, run_id: str, design: str) -> DesignOfRun:
        """Read one design of a run on all chips. Raises StoreError if there is no such run."""
        return self._read(lambda connection: read_design(connection, run_id, design, self.place))

    def beside(self, run_id: str) -> tuple[RunHeading | None, RunHeading | None]:
        """Read the runs before and after one, of its rack and kind.

        Raises StoreError if there is no such run.
        """
        return self._read(lambda connection: read_beside(connection, run_id, self.place))

    def overview(self, run_id: str) -> RunOverview:
        """Read a run with every verdict, and with evidence only where an overview points at it.

        That is the first outcome of each verdict of a slot, PASS aside. Raises StoreError if there
        is no such run.
        """
        return self._read(lambda connection: read_overview(connection, run_id, self.place))

    def record_handover(self, handover: HandoverRecord) -> None:
        """Keep a handover, over its earlier state."""
        self._write(lambda connection: put_handover(connection, handover))

    def handovers(self) -> tuple[HandoverRecord, ...]:
        """Read all handovers, oldest first."""
        return self._read(read_handovers)

    def record_margin(self, margin: MarginRecord) -> None:
        """Keep a search for a margin."""
        self._write(lambda connection: put_margin(connection, margin))

    def margins(
        self, *, chip: str = "", design: str = "", run_id: str = ""
    ) -> tuple[MarginRecord, ...]:
        """Read margins, oldest first: of a chip, a design, a night's run, or all."""
        return self._margins(*about(chip, design, run_id))

    def margins_behind(self, run_id: str) -> tuple[MarginRecord, ...]:
        """Read what reports of a run show: its margins, the latest of its chips and of others."""
        margins = self._margins(or_(*behind(run_id)))
        return tuple(sorted(margins, key=lambda margin: margin.chip_serial))

    def latest_margins(self, designs: Collection[str]) -> tuple[MarginRecord, ...]:
        """Read the latest margin of each kind on every chip, of these designs, oldest first."""
        return self._margins(latest_of(designs))

    def _margins(self, *chosen: ColumnElement[bool]) -> tuple[MarginRecord, ...]:
        return self._read(lambda connection: read_margins(connection, self.place, *chosen))

    def _commit_outcomes(self, rows: Sequence[Row]) -> None:
        """Keep outcomes of any runs in one transaction; the caller has the turn."""

        def commit(connection: Connection) -> None:
            for run_id in sorted({row["run_id"] for row in rows}):
                mark_changed(connection, run_id)
            put_outcomes(connection, rows)

        self._transact(commit)

    def _change(self, connection: Connection, run_id: str, **values: object) -> None:
        """Change columns of a run; raises StoreError if it is not there."""
        changed = connection.execute(update(RunRow).where(RunRow.run_id == run_id).values(**values))
        if changed.rowcount == 0:
            raise unknown_run(connection, run_id, self.place)

    def _heading(self, connection: Connection, run_id: str) -> RunHeading:
        with undamaged(f"{self.place}: run {run_id}"):
            return read_heading(connection, run_id, self.place)

    def _whole(self, connection: Connection, run_id: str) -> RunRecord:
        with undamaged(f"{self.place}: run {run_id}"):
            return read_run(connection, run_id, self.place)

    def _write(self, action: Callable[[Connection], T]) -> T:
        with self._writing:
            return self._transact(action)

    def _transact(self, action: Callable[[Connection], T]) -> T:
        """Run an action in one durable transaction, repeated while the database is away."""

        def once() -> T:
            with writing(self._engine, busy_seconds(self._patience)) as connection:
                return action(connection)

        with translated(self.place):
            return self._patience.see_through(once)

    def _read(self, action: Callable[[Connection], T]) -> T:
        """Run an action on the store as it is at one moment."""

        def once() -> T:
            with reading(self._engine) as connection:
                return action(connection)

        with translated(self.place), undamaged(self.place):
            return self._patience.see_through(once)

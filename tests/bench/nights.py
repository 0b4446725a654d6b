"""A store of many invented nights, written in bulk as the store's own verbs would have left it.

The rows of outcomes have no evidence, which no query of history reads. The first night is
summarised by the store's own code, the others follow it: same chips, designs and slots.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import insert

from harness.records import RunRecord, Verdict
from harness.store import Store
from harness.store.engine import open_engine, store_url
from harness.store.models import RunRow
from harness.store.records import run_row
from harness.store.summaries import LETTERS, summarise
from harness.store.transactions import writing
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

FIRST = datetime(2026, 1, 1, 1, 30, tzinfo=UTC)
VERDICTS = (Verdict.PASS, Verdict.FAIL, Verdict.UNSTABLE, Verdict.ERROR)
WEIGHTS = (970, 15, 5, 10)


@dataclass(frozen=True)
class Size:
    """Numbers of chips (a slot each), of designs (a table each) and of nights."""

    chips: int
    designs: int
    nights: int

    @property
    def chip_names(self) -> list[str]:
        return [f"SP2-{number:04}" for number in range(self.chips)]

    @property
    def slot_names(self) -> list[str]:
        return [f"A{number:03}" for number in range(self.chips)]

    @property
    def design_names(self) -> list[str]:
        return [f"design{number:03}" for number in range(self.designs)]

    def verdicts(self, night: int) -> list[Verdict]:
        """A night's verdicts, chip by chip, each with its designs."""
        return random.Random(night).choices(VERDICTS, WEIGHTS, k=self.chips * self.designs)


def moment(night: int) -> datetime:
    return FIRST + timedelta(days=night)


def night_heading(night: int) -> RunRecord:
    """A night's run, named so that runs sort by time as real ones do."""
    run_id = f"{moment(night):%Y%m%d-%H%M%S}-{night:04x}"
    return replace(heading(run_id, moment(night)), finished=moment(night))


def fill(path: Path, size: Size) -> None:
    """Make the store; a night is a transaction."""
    engine = open_engine(store_url(path))
    with writing(engine) as connection:
        connection.execute(
            insert(RunRow), [run_row(night_heading(night)) for night in range(size.nights)]
        )
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA synchronous=OFF")
    subjects: dict[tuple[str, str], tuple[int, int]] = {}
    for night in range(size.nights):
        run_id, found = night_heading(night).run_id, size.verdicts(night)
        with raw:
            _put_outcomes(raw, run_id, moment(night), size, found)
            if night > 0:
                _put_summaries(raw, run_id, subjects, size, found)
        if night == 0:
            with writing(engine) as connection:
                summarise(connection, run_id)
            subjects = _known_subjects(raw)
    raw.close()
    engine.dispose()


def _put_outcomes(
    raw: sqlite3.Connection, run_id: str, started: datetime, size: Size, found: Sequence[Verdict]
) -> None:
    """Write one night's chips and outcomes, without bodies."""
    places = list(zip(size.slot_names, size.chip_names, strict=True))
    raw.executemany(
        "INSERT INTO chips VALUES (?,?,?,?,'','',1,'','','',0,'')",
        [(run_id, slot, number, serial) for number, (slot, serial) in enumerate(places)],
    )
    begun, designs = f"{started:%Y-%m-%d %H:%M:%S.%f}", size.design_names

    def rows() -> Iterator[tuple[str, ...]]:
        verdicts = iter(found)
        for slot, serial in places:
            for design in designs:
                yield run_id, slot, serial, design, next(verdicts).value, begun

    raw.executemany(
        "INSERT INTO outcomes (run_id, slot, chip_serial, design, table_name, table_sha256,"
        " verdict, counts, mismatches, started, seconds, body)"
        " VALUES (?,?,?,?,'all','',?,1,0,?,1.0,'{}')",
        rows(),
    )


def _known_subjects(raw: sqlite3.Connection) -> dict[tuple[str, str], tuple[int, int]]:
    """Subject and layout of the first night, by kind and name; they stay the same."""
    rows = raw.execute(
        "SELECT kind, name, subject, layout FROM nights JOIN subjects ON number = subject"
    )
    return {(kind, name): (subject, layout) for kind, name, subject, layout in rows}


def _put_summaries(
    raw: sqlite3.Connection,
    run_id: str,
    subjects: dict[tuple[str, str], tuple[int, int]],
    size: Size,
    found: Sequence[Verdict],
) -> None:
    """Write one night's summaries; entries are in the order of names."""
    letters, many = "".join(LETTERS[verdict] for verdict in found), size.designs
    texts: dict[tuple[str, str], str] = {}
    for number, (slot, serial) in enumerate(zip(size.slot_names, size.chip_names, strict=True)):
        texts["chip", serial] = texts["slot", slot] = letters[number * many :][:many]
    for number, design in enumerate(size.design_names):
        texts["design", design] = letters[number::many]
    raw.executemany(
        "INSERT INTO nights (subject, layout, run_id, verdicts) VALUES (?,?,?,?)",
        [(*subjects[key], run_id, text) for key, text in texts.items()],
    )
    raw.execute("UPDATE runs SET summarised = 1 WHERE run_id = ?", (run_id,))


def check(folder: Path) -> None:
    """See on a small size that the store is as the verbs would have left it."""
    size = Size(chips=12, designs=5, nights=4)
    bulk, verbs = folder / "bulk.sqlite", folder / "verbs.sqlite"
    fill(bulk, size)
    with Store(verbs) as store:
        for night in range(size.nights):
            _keep(store, night, size)
    with Store(bulk) as one, Store(verbs) as other:
        wanted = one.subjects()
        assert wanted == other.subjects()
        assert len(wanted) == 12 + 5 + 12
        for which in wanted:
            assert one.history(which) == other.history(which)
    assert _summaries(bulk) == _summaries(verbs)


def _keep(store: Store, night: int, size: Size) -> None:
    """Keep a night through the store's verbs."""
    head, verdicts = night_heading(night), iter(size.verdicts(night))
    store.start_run(replace(head, finished=None))
    for slot, serial in zip(size.slot_names, size.chip_names, strict=True):
        store.record_chip(head.run_id, replace(chip(slot), chip_serial=serial))
        plain = replace(failing_outcome(), slot=slot, chip_serial=serial)
        for design in size.design_names:
            own = replace(plain, design=design, verdict=next(verdicts))
            store.record_outcome(head.run_id, own)
    store.finish_run(head.run_id, moment(night), cancelled=False)


def _summaries(path: Path) -> list[object]:
    """Every summary, with what it is of."""
    raw = sqlite3.connect(path)
    rows = raw.execute(
        "SELECT s.kind, s.rack, name, n.run_id, entries, verdicts, summarised FROM nights n"
        " JOIN subjects s ON s.number = subject JOIN layouts l ON l.number = layout"
        " JOIN runs r ON r.run_id = n.run_id ORDER BY 1, 2, 3, 4"
    ).fetchall()
    raw.close()
    return list(rows)

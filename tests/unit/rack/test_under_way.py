"""What a run tells other processes of its long tables, and what they make of the file."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from harness.rack import (
    CyclesDone,
    LongTable,
    SlotFinished,
    TableStarted,
    UnderWay,
    long_tables,
)
from harness.rack.lock import lock_path

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def test_a_long_table_is_told_to_others_until_it_has_its_outcome(tmp_path: Path) -> None:
    heard: list[object] = []
    moments = [NOON]
    run = UnderWay(heard.append, "r1", tmp_path, lambda: moments[-1])
    run(TableStarted("A1", "lfsr", "long", 8_000))
    assert long_tables("r1", tmp_path) == {}
    moments.append(NOON + timedelta(seconds=60))
    run(CyclesDone("A1", 2_000))
    (table,) = long_tables("r1", tmp_path).values()
    assert table == LongTable("lfsr", "long", 8_000, 2_000, NOON, moments[-1])
    assert table.until == NOON + timedelta(seconds=240)
    moments.append(NOON + timedelta(seconds=300))
    run(CyclesDone("A1", 50))  # it runs once more
    assert long_tables("r1", tmp_path)["A1"].began == moments[-1]
    run(SlotFinished("A1", ""))
    assert long_tables("r1", tmp_path) == {}
    assert [type(event).__name__ for event in heard] == [
        "TableStarted", "CyclesDone", "CyclesDone", "SlotFinished",
    ]  # fmt: skip


def _slot(**changes: object) -> str:
    moment = NOON.isoformat()
    known = {"design": "d", "table": "t", "cycles": 5, "done": 1, "began": moment, "at": moment}
    return json.dumps({"A1": known | changes})


def test_a_file_may_say_what_a_run_says(tmp_path: Path) -> None:
    lock_path("long tables of run r1", tmp_path).write_text(_slot(), encoding="utf-8")
    assert long_tables("r1", tmp_path) == {"A1": LongTable("d", "t", 5, 1, NOON, NOON)}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        "[" * 100_000,
        '{"A1": 7}',
        '{"A1": {"design": "d"}}',
        _slot(more=1),
        _slot(done=0),
        _slot(done=6),
        _slot(cycles=True),
        _slot(design=[]),
        _slot(began="2026-06-01T12:00:00", at="2026-06-01T12:00:00"),
        _slot(at="9999-06-01T12:00:00+00:00"),
        _slot(at="2026-06-20T12:00:00+00:00", cycles=4_000_000_000),
    ],
)
def test_a_file_that_no_run_wrote_says_nothing(tmp_path: Path, text: str) -> None:
    lock_path("long tables of run r1", tmp_path).write_text(text, encoding="utf-8")
    assert long_tables("r1", tmp_path) == {}


def test_a_folder_that_cannot_be_written_keeps_nobody_from_the_events(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    heard: list[object] = []
    run = UnderWay(heard.append, "r1", tmp_path / "file" / "folder")
    run(TableStarted("A1", "lfsr", "long", 8_000))
    run(CyclesDone("A1", 10))
    assert len(heard) == 2

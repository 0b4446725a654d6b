"""What is damaged in a store is named, the rest is reported, and none of it is a verdict."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.cli import ExitCode, main
from harness.errors import StoreError
from harness.records import Verdict, encode, to_text
from harness.store import Store, of_chip, of_design, of_slot
from harness.watch.source import StoreSource, look_at
from harness_reports import write_run
from harness_reports.trust import chip_headline
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

pytestmark = pytest.mark.slow

SHORT: Any = encode(replace(failing_outcome("two"), verdict=Verdict.PASS))
SHORT["window"]["lines"].pop()
DEEP = "[" * 100_000
BAD_BODIES = {
    "cut": '{"slot": "A1", "chip_s',
    "deep": DEEP,
    "deep-whole": '{"slot":' + "[" * 5_000 + "]" * 5_000 + "}",
    "empty": "",
    "null": "null",
    "number": "7",
    "list": "[]",
    "object": "{}",
    "nul": "\0",
    "window": to_text(SHORT),
}
BAD_VALUES = [None, "", "x", "\0", -1, 2**62, 1e308, b"\xff\x00", "PASX", "2026-13-45", "NaN", DEEP]


def a_store(path: Path) -> Path:
    with Store(path) as store:
        store.start_run(heading())
        store.record_chip("r1", chip())
        for design in ("one", "two"):
            passed = replace(failing_outcome(design), verdict=Verdict.PASS)
            store.record_outcome("r1", passed)
        store.finish_run("r1", NOON, cancelled=False)
        store.accept("r1", NOON)
    return path


def change(path: Path, table: str, column: str, value: object) -> bool:
    """Put a value into a column of the first row; False if the database itself refuses it."""
    with closing(sqlite3.connect(path)) as raw:
        first = f"WHERE {column} = (SELECT {column} FROM {table} LIMIT 1)"
        with suppress(sqlite3.IntegrityError, OverflowError):
            raw.execute(f"UPDATE {table} SET {column} = ? {first}", (value,))
            raw.commit()
            return True
    return False


@pytest.mark.parametrize("which", BAD_BODIES)
def test_one_damaged_outcome_is_named_and_the_rest_is_told(
    which: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = a_store(tmp_path / "s.sqlite")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE outcomes SET body = ? WHERE number = 2", (BAD_BODIES[which],))
        raw.commit()
    code = main(["report", "--store", str(path), "--out", str(tmp_path / "out")])
    out, err = capsys.readouterr()
    assert (code, err) == (ExitCode.NOT_TESTED, "")
    assert "1 PASS" in out
    start = f"PK-01: two/all ! ERROR  {path}: run r1, outcome 2 is damaged ("
    (told,) = [line for line in out.splitlines() if line.startswith("PK-01: two/")]
    assert told.startswith(start)
    assert told.endswith("), so this table has no result")
    assert "Traceback" not in out
    with Store.existing(path) as store:
        (first, second) = store.run("r1").chips[0].outcomes
        assert (first.verdict, second.verdict) == (Verdict.PASS, Verdict.ERROR)


def test_an_outcome_that_belongs_to_another_row_is_damaged(tmp_path: Path) -> None:
    path = a_store(tmp_path / "s.sqlite")
    with closing(sqlite3.connect(path)) as raw:
        (body,) = raw.execute("SELECT body FROM outcomes WHERE number = 1").fetchone()
        raw.execute("UPDATE outcomes SET body = ? WHERE number = 2", (body,))
        raw.commit()
    with Store.existing(path) as store:
        second = store.run("r1").chips[0].outcomes[1]
    assert second.summary == (
        f"{path}: run r1, outcome 2 is damaged (outcome.design: not what its row has), so "
        "this table has no result"
    )


def test_an_overview_shows_the_next_failure_if_the_record_of_the_first_is_damaged(
    tmp_path: Path,
) -> None:
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        store.start_run(heading())
        for slot in ("A1", "A2"):
            outcomes = [replace(failing_outcome(design), slot=slot) for design in ("one", "two")]
            store.record_chip("r1", replace(chip(slot), outcomes=tuple(outcomes)))
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE outcomes SET body = '{}' WHERE number = 1")
        raw.commit()
    with Store.existing(path) as store:
        whole, seen = store.run("r1"), store.overview("r1")
    assert seen == whole.overview
    assert [first.design for first in seen.chips[0].firsts] == ["one", "two"]
    assert chip_headline(seen.chips[0]).startswith("1 of 2 tables failed. First: two / all, ")


@pytest.mark.parametrize("seconds", ['"nan"', '"inf"', "1e300"])
def test_an_outcome_that_took_a_time_that_cannot_be_is_shown(seconds: str, tmp_path: Path) -> None:
    path = a_store(tmp_path / "s.sqlite")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE outcomes SET body = json_set(body, '$.seconds', json(?))", (seconds,))
        raw.commit()
    assert list(read_everything(path, tmp_path / "out")) == []


def columns(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as raw:
        tables = [t for (t,) in raw.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        return [
            (table, row[1])
            for table in tables
            if not table.startswith("sqlite_") and table != "harness_schema"
            for row in raw.execute(f"PRAGMA table_info({table})")
        ]


def read_everything(path: Path, out: Path) -> Iterator[str]:
    """Ask for all that commands and pages ask for; yields what is refused."""
    with Store.existing(path) as store, closing(StoreSource(str(path))) as source:
        asked: dict[str, Callable[[], object]] = {
            "run": lambda: write_run(store.latest_run(), out),
            "resume": lambda: store.run_to_resume("r1"),
            "overview": lambda: store.overview("r1"),
            "glance": lambda: store.glance("r1"),
            "headings": store.headings,
            "racks": store.racks,
            "subjects": store.subjects,
            "baseline": lambda: store.baseline(heading("r2")),
            "accept": lambda: store.accept("r1", NOON),
            "margins": lambda: store.margins_behind("r1"),
            "chip": lambda: store.history(of_chip("PK-01")),
            "design": lambda: store.history(of_design("one")),
            "slot": lambda: store.history(of_slot("bench", "A1")),
            "page": lambda: look_at(source, None),
            "write": lambda: store.record_outcome("r1", failing_outcome("three")),
            "finish": lambda: store.finish_run("r1", NOON, cancelled=False),
        }
        for what, ask in asked.items():
            try:
                ask()
            except StoreError as error:
                yield f"{what}: {error}"


def sweep(folder: Path, values: list[object]) -> list[str]:
    whole = a_store(folder / "whole.sqlite").read_bytes()
    told = []
    for table, column in columns(folder / "whole.sqlite"):
        for value in values:
            path = folder / "s.sqlite"
            path.write_bytes(whole)
            if change(path, table, column, value):
                told += list(read_everything(path, folder / "out"))
    return told


@pytest.mark.parametrize("value", [b"\xff\x00"], ids=repr)
def test_damage_in_any_column_is_told_and_raises_nothing_else(
    value: object, tmp_path: Path
) -> None:
    told = sweep(tmp_path, [value])
    assert all(str(tmp_path) in line for line in told)


@pytest.mark.parametrize("size", [0.3, 0.6])
def test_a_store_that_is_cut_off_is_told_to_be_damaged(size: float, tmp_path: Path) -> None:
    path = a_store(tmp_path / "s.sqlite")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * size)])
    with pytest.raises(StoreError, match=r"s\.sqlite: .*malformed"), Store.existing(path) as store:
        store.run("r1")


def test_the_store_of_these_tests_is_whole(tmp_path: Path) -> None:
    path = a_store(tmp_path / "s.sqlite")
    assert list(read_everything(path, tmp_path / "out")) == []
    with closing(sqlite3.connect(path)) as raw:
        (body,) = raw.execute("SELECT body FROM outcomes WHERE number = 1").fetchone()
    assert json.loads(body)["design"] == "one"

"""Parquet files, read back by pyarrow and held against the data frames of the same runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from pyarrow import parquet

import harness
from harness.errors import StoreError
from harness.records import RunRecord
from harness.store import Store
from harness_reports.frame import (
    CAUSE_COLUMNS,
    COLUMNS,
    MARGIN_COLUMNS,
    PIN_COLUMNS,
    margins_frame,
    outcomes_frame,
    pins_frame,
)
from harness_reports.parquet import FILES, parquet_files
from tests.unit.reports.margin_samples import search
from tests.unit.reports.samples import run_of, sample_run, silent_chip

FIRST = sample_run()
SECOND = replace(FIRST, run_id="second", started=FIRST.started + timedelta(days=1))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "s.sqlite"
    with Store(path) as kept:
        for run in (FIRST, SECOND):
            kept.start_run(run)
            for chip in run.chips:
                kept.record_chip(run.run_id, chip)
            kept.record_outcomes(run.run_id, [o for chip in run.chips for o in chip.outcomes])
        kept.record_margin(search())
    return path


def read(folder: Path, name: str) -> pd.DataFrame:
    frame: pd.DataFrame = parquet.read_table(folder / f"{name}.parquet").to_pandas()
    return frame


def assert_same(read_back: pd.DataFrame, frames: Sequence[pd.DataFrame]) -> None:
    expected = pd.concat(frames, ignore_index=True)
    pd.testing.assert_frame_equal(read_back.astype(expected.dtypes.to_dict()), expected)


def stored(store: Path, run: RunRecord) -> RunRecord:
    return harness.stored_run(run.run_id, store)


def test_every_run_is_in_the_files_with_the_values_of_the_data_frames(
    store: Path, tmp_path: Path
) -> None:
    written = harness.write_parquet(tmp_path / "out", store)
    runs = [stored(store, run) for run in (FIRST, SECOND)]
    assert_same(read(tmp_path / "out", "outcomes"), [outcomes_frame(run) for run in runs])
    assert_same(read(tmp_path / "out", "pins"), [pins_frame(run) for run in runs])
    assert_same(read(tmp_path / "out", "margins"), [margins_frame([search()])])
    assert written.runs == 2
    assert {path.name: rows for path, rows in written.files.items()} == {
        f"{name}.parquet": len(read(tmp_path / "out", name)) for name in FILES
    }
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(
        f"{name}.parquet" for name in FILES
    )


def test_wrong_pins_are_counted_as_the_outcomes_say() -> None:
    frame = pins_frame(FIRST)
    outcomes = [o for chip in FIRST.chips for o in chip.outcomes]
    assert frame["mismatches"].sum() == sum(c.mismatches for o in outcomes for c in o.pin_counts)
    assert len(frame) > 0


def test_a_range_leaves_the_other_runs_out(store: Path, tmp_path: Path) -> None:
    one = harness.write_parquet(tmp_path, store, since=SECOND.started)
    assert set(read(tmp_path, "outcomes")["run_id"]) == {"second"}
    assert one.runs == 1
    assert harness.write_parquet(tmp_path, store, until=FIRST.started).runs == 0
    assert len(read(tmp_path, "outcomes")) == 0


def test_types_do_not_depend_on_the_data(tmp_path: Path) -> None:
    """A reader joins the files of two labs: a column without any value keeps its type."""
    for folder, run in (
        (tmp_path / "full", FIRST),
        (tmp_path / "empty", run_of(silent_chip("A1", "SP2-0001"))),
    ):
        with parquet_files(folder) as files:
            files.add_run(run)
    for name in FILES:
        full, empty = (
            parquet.read_schema(tmp_path / folder / f"{name}.parquet")
            for folder in ("full", "empty")
        )
        assert full.equals(empty)


def test_earlier_files_stay_when_a_new_writing_fails(store: Path, tmp_path: Path) -> None:
    harness.write_parquet(tmp_path / "out", store)
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    with pytest.raises(RuntimeError), parquet_files(tmp_path / "out"):
        raise RuntimeError
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before


def test_a_folder_that_is_a_file_is_an_error_with_the_reason(store: Path) -> None:
    with pytest.raises(StoreError) as refused:
        harness.write_parquet(store, store)
    assert str(refused.value) == (
        f"{store}: Parquet files cannot be written: a file is where a folder should be; "
        "name another folder"
    )


def test_every_column_is_documented() -> None:
    text = (Path(__file__).parents[3] / "reports" / "README.md").read_text(encoding="utf-8")
    section = text.partition("## Parquet\n")[2].partition("\n## ")[0]
    for columns in (COLUMNS, CAUSE_COLUMNS, PIN_COLUMNS, MARGIN_COLUMNS):
        for name in columns:
            assert f"`{name}`" in section, name


def test_the_range_is_in_universal_time(store: Path, tmp_path: Path) -> None:
    noon = datetime(2026, 3, 9, 14, 5, 31, tzinfo=UTC)
    assert harness.write_parquet(tmp_path, store, until=noon).runs == 1

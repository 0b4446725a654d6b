"""The Markdown summary for CI: short, the worst first, and harmless for any record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import harness
from harness.errors import StoreError
from harness_reports import run_markdown
from harness_reports.summary import MAX_CHIPS, MAX_TABLES
from tests.unit.reports.samples import chip, failed, hostile_run, passed, run_of, sample_run
from tests.unit.reports.test_causes import OPEN
from tests.unit.reports.test_causes import RUN as CAUSED


def test_the_worst_chip_comes_first_and_what_failed_is_named() -> None:
    run = run_of(chip("A1", "SP2-0001", passed()), chip("A2", "SP2-0002", passed(), failed()))
    assert run_markdown(run, ("newly failing  1  SP2-0002 alu181/exhaustive",)) == (
        "## bench by the window, 2026-03-09 14:05 UTC: FAIL\n\n"
        "Run 2026-03-09-1405-a3f1 of Sandpiper 2. 2 chips: 1 FAIL, 1 PASS.\n\n"
        "- newly failing 1 SP2-0002 alu181/exhaustive\n\n"
        "| slot | chip | board | verdict | tables |\n"
        "|---|---|---|---|---|\n"
        "| A2 | SP2-0002 | WB-02 | **FAIL** | 1 FAIL, 1 PASS |\n"
        "| A1 | SP2-0001 | WB-01 | **PASS** | 1 PASS |\n\n"
        "- **SP2-0002 alu181/exhaustive: FAIL.** Pin out2 (q\\[2\\]) read 0 where 1 was promised, "
        "in every run alike.\n"
    )


def test_what_is_broken_stands_above_the_table_of_chips() -> None:
    lines = [line for line in run_markdown(CAUSED).splitlines() if line]
    assert lines[2:5] == [
        f"- {OPEN.summary} {OPEN.advice}",
        "| slot | chip | board | verdict | tables |",
        "|---|---|---|---|---|",
    ]


def test_a_large_rack_stays_a_short_text() -> None:
    run = run_of(*(chip(f"A{k}", f"SP2-{k:04}", failed(), failed("b")) for k in range(48)))
    text = run_markdown(run)
    assert text.count("| **FAIL** |") == MAX_CHIPS
    assert text.count("FAIL.**") == MAX_TABLES
    assert "32 more chips" in text
    assert f"- {96 - MAX_TABLES} more unexplained tables in the report" in text
    assert len(text.splitlines()) < 50


def test_a_stopped_run_says_so() -> None:
    assert "\n**The run was stopped early.**\n" in run_markdown(replace(run_of(), cancelled=True))


def test_nothing_in_a_record_becomes_markup() -> None:
    text = run_markdown(hostile_run())
    assert "<" not in text
    assert "\x1b" not in text


def test_a_summary_is_added_to_what_the_file_has(tmp_path: Path) -> None:
    path = tmp_path / "summary.md"
    path.write_text("# Job\n")
    harness.write_summary(sample_run(), path)
    assert path.read_text() == "# Job\n" + run_markdown(sample_run())


def test_a_summary_that_cannot_be_written_is_an_error_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as refused:
        harness.write_summary(sample_run(), tmp_path)
    assert str(refused.value) == (
        f"{tmp_path}: no summary can be written: a folder is where a file should be; name "
        "another folder"
    )

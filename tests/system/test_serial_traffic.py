"""A chip with a defect in its transmitter: every product of the report shows the byte it sent."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from harness.judge import Case, RetryPolicy, examine
from harness.records import Outcome, Verdict
from harness.table import load_table
from harness.virtual import DirectBoard
from harness.virtual.faults import NetStuck
from harness_reports.junit import evidence_text
from harness_reports.pages import build_chip
from harness_reports.run_json import parse_run_json, run_json
from harness_reports.ticket import ticket_markdown
from tests.system.virtual import profile, shuttle, spec
from tests.unit.reports.samples import chip as chip_of
from tests.unit.reports.samples import run_of


def examined(table: str) -> Outcome:
    """A table of the UART on a chip in which data bit 4 and later ones leave the register as 0."""
    design = shuttle().designs_by_name["uart"]
    (wanted,) = (one for one in design.tables if one.name == table)
    pattern = load_table(wanted, design, shuttle())
    case = Case("A1", "SP2-0001", "WB-01", shuttle(), design, wanted, pattern)
    board = DirectBoard(spec(defects=(NetStuck("uart", "out[5]", 0),)), shuttle(), profile())
    board.select(design)
    return examine(board, case, RetryPolicy(), datetime(2026, 1, 1, tzinfo=UTC).date()).outcome


FIRST = "console txd, cycle 12, line 4: expected 0x4C 'L', observed 0x0C, no stop bit in cycle 50"


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    return examined("greeting")


def test_the_page_shows_what_the_chip_sent_instead(outcome: Outcome) -> None:
    assert outcome.verdict is Verdict.FAIL
    chip = chip_of("A1", "SP2-0001", outcome)
    ((failure,),) = (group.failures for group in build_chip(run_of(chip), chip).groups)
    wrong = [one.text for one in failure.traffic if one.wrong]
    assert wrong[0] == FIRST
    assert wrong[1].startswith("console txd, cycle 52, ")
    assert "expected 0x54 'T'" in wrong[1]


def test_ticket_junit_and_json_show_it_too(outcome: Outcome) -> None:
    chip = chip_of("A1", "SP2-0001", outcome)
    run = run_of(chip)
    assert FIRST in evidence_text(outcome)
    assert "observed 0x0C, no stop bit in cycle 50" in ticket_markdown(run, chip)
    text = run_json(run)
    first = next(one for one in json.loads(text)["exchanges"] if one["wrong"])
    assert (first["table"], first["cycle"]) == ("greeting", 12)
    assert (first["expected"], first["observed"]) == ("0x4C 'L'", "0x0C")
    assert parse_run_json(text) == run


def test_a_stream_without_a_pause_is_read_from_a_start_bit(outcome: Outcome) -> None:
    del outcome  # the same board, compiled already
    lines = examined("duplex")
    chip = chip_of("A1", "SP2-0001", lines)
    ((failure,),) = (group.failures for group in build_chip(run_of(chip), chip).groups)
    wrong = next(one for one in failure.traffic if one.wrong)
    assert (wrong.cycle, wrong.expected) == (0, "0x00")
    assert "no stop bit" in wrong.trouble

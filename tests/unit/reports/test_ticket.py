"""The text to paste and the CSV of mismatches: short, and harmless for any record."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

from harness_reports import is_ticket, mismatches_csv, ticket_markdown
from harness_reports.mismatches import COLUMNS
from harness_reports.ticket import MAX_SHOWN, plain_markdown
from tests.unit.reports.samples import (
    chip,
    every_verdict,
    failed,
    hostile_run,
    not_run,
    passed,
    run_of,
)


def test_the_text_tells_chip_run_first_mismatch_and_how_to_replay() -> None:
    record = chip("A3", "SP2-0003", *every_verdict())
    text = ticket_markdown(run_of(record), record)
    assert text.startswith("## Chip SP2-0003: FAIL\n")
    assert "- **alu181/exhaustive: FAIL.** Pin out2 (q\\[2\\]) read 0" in text
    assert "First: cycle 20, table line 15: pin out2 (q\\[2\\]) expected 1, observed 0" in text
    assert "1 table passed, 1 not run." in text
    assert text.endswith("`harness replay BUNDLE.zip`\n")


def test_a_hundred_failures_stay_a_short_text() -> None:
    record = chip("A3", "SP2-0003", *(failed(f"d{k}") for k in range(100)))
    text = ticket_markdown(run_of(record), record)
    assert text.count("FAIL.**") == MAX_SHOWN
    assert "88 more tables in the report." in text
    assert len(text) < 10_000


def test_nothing_in_a_record_becomes_markup() -> None:
    run = hostile_run()
    text = ticket_markdown(run, run.chips[0])
    assert "<" not in text
    assert "\x1b" not in text
    assert plain_markdown("[x](http://y) @eve #12\n# a `b` *c* <d>") == (
        "\\[x\\](http&#58;//y) &#64;eve \\#12 \\# a \\`b\\` \\*c\\* &lt;d&gt;"
    )


def test_mismatches_have_a_row_per_cycle_and_wrong_pin() -> None:
    record = chip("A3", "SP2-0003", passed(), failed())
    rows = list(csv.reader(io.StringIO(mismatches_csv(record).decode())))
    assert rows[0] == list(COLUMNS)
    assert len(rows) == 1 + sum(len(cycle.wrong) for cycle in record.outcomes[1].evidence)
    assert rows[1][:4] == ["alu181", "exhaustive", "FAIL", "20"]


def test_a_stopped_run_is_told_with_its_first_reason() -> None:
    late = not_run()
    record = chip("A3", "SP2-0003", failed(), late, replace(late, table="more", summary="Later."))
    told = "**The run was stopped early.**\nFirst not run: aes\\_sbox/all: The run was st"
    assert told in ticket_markdown(run_of(record, cancelled=True), record)
    assert told in ticket_markdown(run_of(record, finished=None), record)
    assert "stopped early" not in ticket_markdown(run_of(record), record)
    alone = chip("A3", "SP2-0003", failed())
    text = ticket_markdown(run_of(alone, cancelled=True), alone)
    assert "stopped early" in text
    assert "First not run" not in text


def test_no_address_becomes_a_link() -> None:
    assert plain_markdown("www.evil.example WWW.x xwww.y") == (
        "www&#46;evil.example WWW&#46;x xwww&#46;y"
    )


def test_a_ticket_is_known_by_its_first_and_last_line() -> None:
    record = chip("A3", "SP2-0003", failed())
    text = ticket_markdown(run_of(record), record).encode()
    assert is_ticket(text)
    assert not is_ticket(text + b"my notes\n")
    assert not is_ticket(b"# Project\n" + text)
    assert not is_ticket(b"")

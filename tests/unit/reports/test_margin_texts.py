"""Margins in words, and the exit codes that go with them."""

from __future__ import annotations

from dataclasses import replace

from harness.cli.exit_code import ExitCode
from harness.cli.run_codes import margin_code
from harness.jobs.morning import margin_line
from harness.jobs.night_margins import NightMargins
from harness.records import MarginDrop, MarginEdge, MarginKind
from harness_reports import drop_text, edge_text, limit_text
from tests.unit.store.margins import margin

GOOD = margin(0, 1234.5)
DROP = MarginDrop("SP2-0003", "crc16", 1e3, 5000.0, 12.0, 3210.4)


def test_a_limit_is_told_with_its_neighbour_and_its_share_of_the_declared_clock() -> None:
    assert limit_text(GOOD) == (
        "passes up to 1.2345 kHz, fails at 1.2445 kHz (exact); +23.4 % vs 1 kHz"
    )


def test_a_limit_that_the_board_cannot_reach_is_a_lower_bound() -> None:
    open_end = replace(GOOD, exact=False, edges=(MarginEdge(0, None, 2000.0, None),))
    assert limit_text(open_end) == (
        "passes up to 2 kHz, the fastest here (paced); at least +100.0 % vs 1 kHz"
    )


def test_a_board_that_is_too_slow_for_the_clock_and_a_promise_beyond_it() -> None:
    slow = replace(GOOD, edges=(MarginEdge(0, None, 800.0, None),), points=())
    assert limit_text(slow) == (
        "passes up to 800 Hz, the fastest here (exact), which is below 1 kHz"
    )
    assert margin_code([slow]) == ExitCode.NOT_TESTED
    promised = replace(GOOD, promised_hz=1e7)
    assert limit_text(promised).endswith("+23.4 % vs 1 kHz (promised: 10 MHz, beyond this board)")


def test_a_chip_that_passes_nowhere_and_a_search_that_broke_off() -> None:
    assert limit_text(margin(0, None)) == (
        "passes at no rate down to 100 Hz (exact); declared clock 1 kHz"
    )
    lost = replace(GOOD, trouble="the board went away")
    assert limit_text(lost) == "search incomplete: the board went away"


def test_the_rows_of_a_shmoo() -> None:
    late = MarginEdge(1200, None, 5000.0, 5100.0)
    assert edge_text(MarginKind.SAMPLE, late) == "1,200 ns: passes up to 5 kHz, fails at 5.1 kHz"
    top = MarginEdge(0, 1.8, 5000.0, None)
    assert edge_text(MarginKind.SUPPLY, top) == "1.80 V: passes up to 5 kHz, the fastest here"
    assert (
        edge_text(MarginKind.SUPPLY, MarginEdge(0, 1.2, None, 50.0)) == "1.20 V: passes at no rate"
    )


def test_a_loss_names_what_was_usual_and_the_noise() -> None:
    assert drop_text(DROP) == "up to 3.2104 kHz, was 5 kHz (noise 12 Hz)"
    assert drop_text(replace(DROP, now_hz=0.0)) == "at no rate, was 5 kHz (noise 12 Hz)"


def test_the_line_of_a_night_counts_losses_searches_and_those_that_broke_off() -> None:
    lost = replace(GOOD, trouble="the board went away")
    assert margin_line(NightMargins()) == ()
    assert margin_line(NightMargins((GOOD,))) == ("less margin              0  (1 searched)",)
    (line,) = margin_line(NightMargins((GOOD,), (DROP,), known=1))
    assert line == (
        "less margin              1  SP2-0003 crc16 up to 3.2104 kHz, was 5 kHz (noise 12 Hz) "
        "(1 searched, 1 already known)"
    )
    (line,) = margin_line(NightMargins(trouble="no interpreter"))
    assert line == "less margin              0  (not searched: no interpreter)"
    (line,) = margin_line(NightMargins((GOOD, lost), (DROP,) * 6))
    assert line.startswith("less margin              6  SP2-0003 crc16 up to 3.2104 kHz, was 5 kHz")
    assert line.endswith("; 2 more (2 searched, 1 incomplete)")


def test_the_exit_codes_of_searches() -> None:
    lost, slow = replace(GOOD, trouble="gone"), margin(0, 900.0)
    assert margin_code([GOOD]) == ExitCode.ALL_PASS
    assert margin_code([GOOD, lost]) == ExitCode.NOT_TESTED
    assert margin_code([GOOD, lost, slow]) == ExitCode.CHIP_FAILED
    assert margin_code([margin(0, None)]) == ExitCode.CHIP_FAILED
    assert margin_code([]) == ExitCode.NOT_TESTED

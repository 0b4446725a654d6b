"""Words and numbers as people read them."""

from __future__ import annotations

import pytest

from harness.errors import many, printable
from harness.records import (
    Attempt,
    Conditions,
    Coverage,
    Rehearsal,
    RehearsalResult,
    Verdict,
    Wave,
)
from harness_reports.texts import (
    agreement,
    cells_text,
    conditions_text,
    coverage_text,
    coverages_text,
    differs,
    duration,
    hertz,
    percent,
)
from tests.unit.reports.samples import passed


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("plain é 漢 😀\n\t", "plain é 漢 😀\n\t"),
        ("\x00\x1b[2J\r\x7f\x85", "\\x00\\x1b[2J\\x0d\\x7f\\x85"),
        ("abc\u202egnp", "abc\\u202egnp"),
        ("1\u061c2", "1\\u061c2"),
        ("\ud800\ufffe", "\\ud800\\ufffe"),
    ],
)
def test_what_hides_or_breaks_is_shown_as_an_escape(raw: str, shown: str) -> None:
    assert printable(raw) == shown


def test_rates_times_and_counts_have_fitting_units() -> None:
    assert [hertz(rate) for rate in (12.5, 48_250, 10e6)] == ["12.5 Hz", "48.25 kHz", "10 MHz"]
    assert [hertz(rate, 2) for rate in (123.4, 45_678, 678_901)] == ["120 Hz", "46 kHz", "680 kHz"]
    assert [duration(s) for s in (0.21, 4.2, 192.4)] == ["210 ms", "4.2 s", "3 min 12 s"]
    assert [many(n, "cycle") for n in (0, 1, 65_535)] == ["0 cycles", "1 cycle", "65,535 cycles"]


def _attempts(*signatures: str) -> list[Attempt]:
    return [Attempt(k + 1, 0, signature, 0.1) for k, signature in enumerate(signatures)]


@pytest.mark.parametrize(
    ("signatures", "told"),
    [
        ((), "No attempt was completed."),
        (("A",), "Run once, so repeats cannot be compared."),
        (("A", "A"), "Run 2 times; every tested bit was the same each time."),
        (("A", "B", "A"), "Run 3 times; the answers differ (2 signatures)."),
    ],
)
def test_the_agreement_of_repeats_is_told(signatures: tuple[str, ...], told: str) -> None:
    assert agreement(_attempts(*signatures)) == told


def test_only_what_was_tested_and_read_can_differ() -> None:
    wave = Wave("p", "s", "." * 10, "0101Z0Z.01", "LHHLZZLH..")
    assert [differs(wave, k) for k in range(11)] == [
        False, False, True, True, False, True, True, False, False, False, False,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("exact", "gaps", "asked", "told"),
    [
        (False, 0, 10e6, "paced"),
        (True, 0, 10e6, "exact, -3.8 %"),
        (True, 0, 125e6 / 13, "exact"),
        (True, 1, 125e6 / 13, "exact, 1 pause"),
        (True, 9, 9.616e6, "exact, 9 pauses, -0.0064 %"),
    ],
)
def test_how_cycles_were_timed_is_told_with_pauses_and_the_error_of_the_rate(
    exact: bool, gaps: int, asked: float, told: str
) -> None:
    text = conditions_text(Conditions(asked, 125e6 / 13, exact, 0.0, 2, gaps))
    assert text.endswith(f"ran at 9.615 MHz ({told}), settle 0 µs, reset 2 cycles")


@pytest.mark.parametrize(
    ("coverage", "shown"),
    [
        (None, ""),
        (Coverage(None, 0.934), "93.4 %"),
        (Coverage(0.934, 0.934), "93.4 %"),
        (
            Coverage(0.951, 0.934),
            "93.4 % (95.1 %)",
        ),
    ],
)
def test_a_pass_carries_the_fault_coverage_of_its_table(
    coverage: Coverage | None, shown: str
) -> None:
    rehearsal = Rehearsal(RehearsalResult.PASSES, coverage=coverage)
    assert coverage_text(passed(rehearsal=rehearsal)) == shown
    assert coverage_text(passed(rehearsal=rehearsal, verdict=Verdict.FAIL)) == ""


def test_fault_coverage_is_named_with_the_cells_it_was_counted_on() -> None:
    cells = ("AND", "flip-flop"), ("AND", "XOR")
    found = [Coverage(0.951, 0.934, cells[0]), Coverage(0.951, 0.5, cells[1])]
    rehearsals = [Rehearsal(RehearsalResult.PASSES, coverage=one) for one in found]
    outcomes = [passed(rehearsal=one) for one in rehearsals]
    assert cells_text([*outcomes, passed()]) == "AND, XOR, flip-flop"
    assert coverages_text([("count", found[0]), ("wrap", found[1])]) == (
        "Fault coverage (stuck-at): count 93.4 %, wrap 50.0 %; all tables together 95.1 %, on "
        "these cells: AND, XOR, flip-flop."
    )
    assert coverages_text([("count", Coverage(None, 1.0))]) == (
        "Fault coverage (stuck-at): count 100.0 %."
    )


def test_less_than_all_is_never_written_as_all() -> None:
    assert [percent(share) for share in (1.0, 0.99999, 0.9996, 0.0)] == [
        "100.0 %",
        "99.9 %",
        "99.9 %",
        "0.0 %",
    ]

"""The collector of findings: nobody drowns in them, and nothing that stops a run is forgotten."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import MAX_FINDINGS, Finding, Findings, Location, Severity

FILE = Path("f.toml")
CLOSING = "f.toml: error [more-findings] 2 more not shown; fix the ones above first"


def finding(line: int) -> Finding:
    return Finding("bad", Location(FILE, line), f"line {line} is bad", "mend it")


def full() -> Findings:
    findings = Findings()
    findings.extend(finding(line) for line in range(MAX_FINDINGS, 0, -1))
    return findings


def test_beyond_the_most_findings_are_counted() -> None:
    findings = full()
    findings.error("bad", Location(FILE, 1, 1), "this too", "mend it")
    findings.extend([finding(1)])
    assert len(findings.items) == MAX_FINDINGS + 1
    assert str(findings.items[-1]) == CLOSING


def test_as_many_as_there_is_room_for_are_told_without_another_word() -> None:
    assert [item.location.line for item in full().items] == list(range(MAX_FINDINGS, 0, -1))


def test_the_number_of_those_left_out_comes_last_in_file_order_too() -> None:
    findings = full()
    findings.extend([finding(1), finding(2)])
    assert [item.location.line for item in findings.in_order] == [*range(1, MAX_FINDINGS + 1), 0]
    assert str(findings.in_order[-1]) == CLOSING


def test_an_error_that_is_only_counted_stops_a_run() -> None:
    findings = Findings()
    for line in range(MAX_FINDINGS):
        findings.warn("odd", Location(FILE, line + 1), "odd", "look at it")
    assert findings.errors == []
    findings.error("bad", Location(FILE, 1), "bad", "mend it")
    assert [item.message for item in findings.errors] == ["1 more not shown"]


def test_warnings_that_are_only_counted_stop_none() -> None:
    findings = Findings()
    for line in range(MAX_FINDINGS + 7):
        findings.warn("odd", Location(FILE, line + 1), "odd", "look at it")
    assert findings.items[-1].message == "7 more not shown"
    assert findings.items[-1].severity is Severity.WARNING
    assert findings.errors == []


def test_what_there_is_no_room_for_is_not_made() -> None:
    def never() -> Finding:
        raise AssertionError

    findings = full()
    findings.add_lazy(never)
    findings.add_lazy(never, rows=1_000)
    assert findings.items[-1].message == "1,001 more not shown"


def test_the_same_fault_of_several_rows_is_told_once() -> None:
    findings = Findings()
    findings.add_lazy(lambda: finding(3), same="x")
    assert [item.message for item in findings.items] == ["line 3 is bad"]
    findings.add_lazy(lambda: finding(7), same="x")
    findings.add_lazy(lambda: finding(4), same="y", rows=1_001)
    findings.add_lazy(lambda: finding(5))
    findings.add_lazy(lambda: finding(5))
    assert [item.message for item in findings.items] == [
        "line 3 is bad (and in 1 more row)",
        "line 4 is bad (and in 1,000 more rows)",
        "line 5 is bad",
        "line 5 is bad",
    ]


def test_a_file_does_not_take_the_room_of_another() -> None:
    other = Path("a.toml")
    findings = full()
    findings.error("bad", Location(FILE, 1), "bad", "mend it")
    for line in range(MAX_FINDINGS + 3):
        findings.of_file(other).warn("odd", Location(other, line + 1), "odd", "look at it")
    closing = [
        "f.toml: error [more-findings] 1 more not shown; fix the ones above first",
        "a.toml: warning [more-findings] 3 more not shown; fix the ones above first",
    ]
    assert [item.location.path for item in findings.in_order[:MAX_FINDINGS]] == [
        other
    ] * MAX_FINDINGS
    assert [str(item) for item in findings.in_order[2 * MAX_FINDINGS :]] == closing
    assert sorted(map(str, findings.items)) == sorted(map(str, findings.in_order))


def test_the_number_left_out_by_another_reader_is_not_left_out() -> None:
    findings, of_shuttle = Findings(), full()
    of_shuttle.extend(finding(line) for line in range(50))
    findings.extend(of_shuttle.items)
    assert findings.items == of_shuttle.items


@pytest.mark.parametrize("reached", ["a/table.csv", "{here}/a/table.csv", "../{name}/a/table.csv"])
def test_a_file_below_the_current_folder_is_shown_from_there_however_it_was_reached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reached: str
) -> None:
    monkeypatch.chdir(tmp_path)
    path = Path(reached.format(here=tmp_path, name=tmp_path.name))
    assert str(Location(path, 3)) == "a/table.csv:3"


@pytest.mark.parametrize("reached", ["../table.csv", "{above}/table.csv"])
def test_any_other_file_is_shown_by_its_whole_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reached: str
) -> None:
    monkeypatch.chdir(tmp_path)
    path = Path(reached.format(above=tmp_path.parent))
    assert str(Location(path)) == str(tmp_path.parent / "table.csv")

"""JUnit XML read back by an independent reader, ``junitparser``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

from junitparser import JUnitXml

from harness.errors import printable
from harness.judge import Change, NightChanges
from harness.records import Reason, Verdict
from harness_reports import chip_junit
from harness_reports.junit import conditions_sha256, run_junit
from tests.unit.reports.samples import (
    HOSTILE,
    chip,
    every_verdict,
    failed,
    hostile_run,
    passed,
    run_of,
    sample_run,
)


def _suites(data: bytes) -> list[Any]:
    return list(JUnitXml.fromstring(data))


def _results(cases: Iterable[Any]) -> dict[str, list[tuple[str, str | None]]]:
    return {_design(case): [(type(r).__name__, r.type) for r in case.result] for case in cases}


def _design(case: Any) -> str:
    return str(case.classname).partition(".")[2]


def test_every_verdict_has_its_element() -> None:
    run = run_of(chip("A1", "SP2-0001", *every_verdict()))
    (suite,) = _suites(chip_junit(run, run.chips[0]))
    assert suite.name == "SP2-0001"
    assert _results(suite) == {
        "ctr163": [],
        "alu181": [("Failure", "mismatch")],
        "fifo8": [("Failure", "unstable")],
        "uart8n1": [("Error", "link")],
        "lfsr16": [("Skipped", "skipped")],
        "aes_sbox": [("Skipped", "skipped")],
    }
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (6, 2, 1, 2)


def night(*untested: Change) -> NightChanges:
    return NightChanges("before", (), (), (), untested, ())


def test_a_night_that_is_not_whole_has_an_error_that_says_so() -> None:
    """Tables that were not run are skipped, or in no suite; a server shows both as no harm."""
    gone = Verdict.PASS, Verdict.NOT_RUN, False, Reason.NOT_PART, ""
    lost = Change("A7", "SP2-0007", "gray", "all", *gone)
    for run, found, told in (
        (sample_run(), night(lost), "not run: 1 table, 1 only in the baseline"),
        (
            replace(sample_run(), cancelled=True),
            night(),
            "the night was stopped; not run: 0 tables",
        ),
    ):
        suites = {suite.name: suite for suite in _suites(b"".join(run_junit(run, found)))}
        (case,) = suites["night"]
        assert case.result[0].message.startswith(told)
    assert "night" not in [
        suite.name for suite in _suites(b"".join(run_junit(sample_run(), night())))
    ]


def test_a_case_is_a_table_and_its_class_the_chip_and_the_design() -> None:
    """Services group cases by class alone: without the chip, all chips would be merged."""
    (suite,) = _suites(chip_junit(sample_run(), sample_run().chips[0]))
    assert [(case.classname, case.name, case.time) for case in suite] == [
        ("SP2-0001.ctr163", "count", 0.21),
        ("SP2-0001.alu181", "exhaustive", 0.21),
        ("SP2-0001.lfsr16", "period", 0.21),
    ]


def test_no_two_cases_of_a_run_share_class_and_name() -> None:
    cases = [
        (case.classname, case.name)
        for suite in _suites(b"".join(run_junit(sample_run())))
        for case in suite
    ]
    assert len(cases) == len(set(cases)) == 17


def test_a_failure_with_a_waveform_attaches_it_by_the_path_that_a_service_can_open() -> None:
    """``[[ATTACHMENT|path]]`` in system-out is how common CI services find files of a case."""
    run = run_of(chip("A1", "SP2-0001", passed(), failed()))
    attached = {("A1", failed().design, failed().table): "runs/r/chips/SP2-0001/alu181.all.vcd"}
    (suite,) = _suites(chip_junit(run, run.chips[0], None, attached))
    last = {_design(case): case.system_out.splitlines()[-1] for case in suite}
    assert last[failed().design] == "[[ATTACHMENT|runs/r/chips/SP2-0001/alu181.all.vcd]]"
    assert "ATTACHMENT" not in last[passed().design]


def test_a_failure_tells_cause_advice_repeats_and_cycles() -> None:
    run = run_of(chip("A1", "SP2-0001", failed()))
    (suite,) = _suites(chip_junit(run, run.chips[0]))
    (failure,) = next(iter(suite)).result
    out2 = "out2 (q[2]) expected 1, observed 0"
    assert failure.message == f"FAIL: {failed().summary}"
    assert failure.text.splitlines() == [
        "cycle 20, line 15: q[3:0] expected 0x4, observed 0x0, differs 0x4",
        "cycle 21, line 16: q[3:0] expected 0x5, observed 0x1, differs 0x4",
        "cycle 22, line 17: q[3:0] expected 0x6, observed 0x2, differs 0x4",
        "FAIL: Pin out2 (q[2]) read 0 where 1 was promised, in every run alike.",
        "Likely cause: chip",
        "What to do: Look at the cone of q[2]; compare with another chip of the lot.",
        "Run 3 times; every tested bit was the same each time.",
        f"cycle 20, table line 15: {out2}",
        f"cycle 21, table line 16, “wrap”: {out2}; out4 (carry) expected 1, observed 0",
        f"cycle 22, table line 17, “wrap”: {out2}",
    ]


def test_a_waived_failure_names_the_waiver() -> None:
    run = run_of(chip("A1", "SP2-0001", *every_verdict()))
    (suite,) = _suites(chip_junit(run, run.chips[0]))
    messages = {_design(case): case.result[0].message for case in suite if case.result}
    assert messages["lfsr16"] == (
        "WAIVED: known hold problem of this lot (owner R. Ebb, ticket LT-42, until 2027-01-31)"
    )
    assert messages["aes_sbox"] == "NOT RUN: The run was stopped before this table."


def test_a_slot_without_a_board_is_an_error() -> None:
    run = sample_run()
    (suite,) = _suites(chip_junit(run, run.chips[5]))
    (case,) = suite
    assert (case.classname, case.name) == ("SP2-0006.slot", "slot A6")
    assert [type(result).__name__ for result in case.result] == ["Error"]
    assert case.result[0].message == run.chips[5].trouble


def test_the_properties_are_what_a_reader_asks_for_first() -> None:
    run = run_of(chip("A1", "SP2-0001", passed(), failed()))
    (suite,) = _suites(chip_junit(run, run.chips[0]))
    assert {item.name: item.value for item in suite.properties()} == {
        "run": run.run_id,
        "shuttle": "Sandpiper 2",
        "rack": run.rack,
        "slot": "A1",
        "board_serial": "WB-01",
        "board_kind": "virtual",
        "pins_backend": run.chips[0].backend,
        "tool_version": "0.1.0",
        "conditions_sha256": conditions_sha256(run.chips[0]),
        f"reason.{failed().design}.{failed().table}": failed().reason.value,
    }


def test_the_conditions_hash_tells_other_conditions_but_not_another_speed_reached() -> None:
    asked = passed().conditions
    assert asked is not None
    faster = type(asked)(60_000.0, 48_250.0, False, 0.0, 2)
    reached = type(asked)(50_000.0, 49_000.0, False, 0.0, 2)
    own = conditions_sha256(chip("A1", "S", passed()))
    assert conditions_sha256(chip("A1", "S", passed(conditions=reached))) == own
    assert conditions_sha256(chip("A1", "S", passed(conditions=faster))) != own


def test_the_run_has_one_suite_for_each_chip_and_their_sums() -> None:
    run = sample_run()
    root = JUnitXml.fromstring(b"".join(run_junit(run)))
    assert [suite.name for suite in root] == [chip.chip_serial for chip in run.chips]
    sums = [sum(getattr(s, name) for s in root) for name in ("tests", "failures", "errors")]
    assert [root.tests, root.failures, root.errors] == sums == [17, 3, 2]


def test_characters_that_xml_forbids_are_told_not_dropped() -> None:
    run = hostile_run()
    root = ET.fromstring(chip_junit(run, run.chips[0]))
    suite = root[0]
    assert suite.get("name") == printable("SP2-0001" + HOSTILE)
    assert "\\x00\\x1b[31m\\u202e\\udc80é" in (suite.get("name") or "")
    assert not list(root.iter("script"))

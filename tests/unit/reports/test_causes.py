"""Causes on pages, in JUnit XML and as a DataFrame."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET

from lxml import html

from harness.records import (
    Candidate,
    Cause,
    CauseKind,
    EvidenceCycle,
    Observation,
    Overruling,
    PinProof,
    PinResult,
    PinState,
    Reason,
    Rehearsal,
    RehearsalResult,
    SlotPins,
    Verdict,
)
from harness_reports import causes_frame, chip_html, chip_junit, outcomes_frame
from harness_reports.causes import explanation_text
from harness_reports.frame import CAUSE_COLUMNS
from harness_reports.html import index_html
from tests.unit.blame.test_slips import window
from tests.unit.reports.samples import (
    START,
    chip,
    errored,
    failed,
    passed,
    run_of,
    sample_run,
    silent_chip,
)

OPEN = Cause(
    key="A1",
    slots=("A1",),
    chips=("SP2-0001",),
    candidates=(
        Candidate(CauseKind.OPEN, ("in3",), "", "", "", 1.0),
        Candidate(CauseKind.DEAD_PAD, ("in3",), "", "", "", 0.5),
        Candidate(CauseKind.DESIGN_DEFECT, (), "crc16", "", "", 0.0025),
    ),
    odds=400.0,
    settled=True,
    tables=("crc16/bytes", "uart/directed"),
    summary="A1: in3 does not reach the chip (odds 400 : 1).",
    advice="Exchange A1 with A2 and run crc16.",
    swap="A2",
    ask=("crc16/bytes",),
    observations=(Observation("A1", "crc16/bytes", "answers as with in3 open", 6.0),),
    overruled=None,
)
RUN = run_of(
    chip(
        "A1",
        "SP2-0001",
        failed("crc16", "bytes", cause="A1"),
        failed("uart", "directed", cause="A1"),
        passed("lfsr", "period"),
    ),
    chip("A2", "SP2-0002", passed("crc16", "bytes")),
    causes=(OPEN,),
)
DECIDED = replace(
    RUN,
    causes=(replace(OPEN, overruled=Overruling(CauseKind.DEAD_PAD, "Wilma", "X-rayed", START)),),
)


def words(element: Any) -> str:
    return " ".join(element.text_content().split())


def test_the_runs_page_says_what_is_likely_and_what_else_it_may_be() -> None:
    page = html.fromstring(index_html(RUN.overview))
    (cause,) = page.xpath('//article[@id="cause-1"]')
    text = words(cause)
    assert "A1 settled" in text
    assert OPEN.summary in text
    assert "What to do: Exchange A1 with A2 and run crc16." in text
    rows = [[words(cell) for cell in row] for row in cause.xpath(".//tbody/tr")]
    assert rows == [
        ["open: in3", "–"],
        ["dead-pad: in3", "2 : 1"],
        ["design-defect: crc16", "400 : 1"],
        ["A1 crc16/bytes", "answers as with in3 open"],
    ]


def test_the_head_of_the_runs_page_has_a_sentence_for_each_cause_and_counts_the_rest() -> None:
    many = tuple(replace(OPEN, key=f"A1:{n}", summary=f"A1: in{n} floats.") for n in range(12))
    head = html.fromstring(index_html(replace(RUN, causes=many).overview)).xpath("//header")[0]
    lines = [(link.get("href"), words(link)) for link in head.xpath('ul[@class="keys"]/li/a')]
    assert lines[:2] == [("#cause-1", "A1: in0 floats."), ("#cause-2", "A1: in1 floats.")]
    assert lines[10:] == [("#cause-11", "and 2 more causes")]


def cells(page: Any) -> dict[str, list[str]]:
    """The map of pins and slots: the texts of the cells, by their pins."""
    rows = page.xpath('//table[@class="map pins"]/tbody/tr')
    return {
        words(row[0]): [cell.xpath("string(a/@title)").rpartition(": ")[2] for cell in row[2:]]
        for row in rows
    }


def test_the_map_of_pins_and_slots_shows_what_is_proven_and_leads_to_the_pin() -> None:
    pins = (
        PinProof("in0", PinState.PROVEN, ("crc16/bytes",), ""),
        PinProof("io2", PinState.NOT_PROVEN, (), ""),
        PinProof("in3", PinState.SUSPECTED, (), "A1"),
    )
    tests = tuple(
        SlotPins(slot, ("crc16/bytes",), (), pins[:k]) for slot, k in (("A2", 2), ("A1", 3))
    )
    run = replace(RUN, continuity=tests)
    page = html.fromstring(index_html(run.overview))
    assert cells(page) == {
        "in3": ["suspected, cause A1", ""],
        "in0": ["reaches the chip", "reaches the chip"],
        "io2": ["not proven", "not proven"],
    }
    link = page.xpath('//table[@class="map pins"]/tbody/tr[1]/td/a/@href')[0]
    name, _, place = link.partition("#")
    assert name == "chips/SP2-0001/SP2-0001.html"
    (pin,) = html.fromstring(chip_html(run, run.chips[0])).xpath(f'//*[@id="{place}"]')
    assert [words(cell) for cell in pin] == ["in3", "suspected", "cause A1"]


def test_the_runs_page_has_pins_by_slot_and_tables_by_chip_with_their_causes() -> None:
    page = html.fromstring(index_html(RUN.overview))
    assert cells(page) == {"in3": ["suspected, cause A1", ""]}
    assert page.xpath('//table[@class="map pins"]/tbody//@href') == [
        "chips/SP2-0001/SP2-0001.html#cause-1"
    ]
    assert not html.fromstring(index_html(sample_run().overview)).xpath("//*[@id='pins']")
    links = page.xpath('//section[@aria-labelledby="tables"]//a[@href="#cause-1"]')
    assert [words(link) for link in links] == ["A1", "A1"]


def test_the_chips_page_leads_from_each_failure_to_its_cause() -> None:
    page = html.fromstring(chip_html(RUN, RUN.chips[0]))
    assert len(page.xpath('//article[@id="cause-1"]')) == 1
    assert len(page.xpath('//details//a[@href="#cause-1"]')) == 2
    assert html.fromstring(chip_html(RUN, RUN.chips[1])).xpath('//*[@id="cause-1"]') == []


def test_findings_stand_folded_under_their_cause_the_first_of_each_open() -> None:
    apart = failed("alu181", "all")
    one = replace(RUN.chips[0], outcomes=(apart, *RUN.chips[0].outcomes))
    page = html.fromstring(chip_html(replace(RUN, chips=(one, RUN.chips[1])), one))
    groups = page.xpath('//div[@class="group"]')
    assert [
        (words(group.xpath(".//h3")[0]), [words(h4) for h4 in group.xpath("details//h4")])
        for group in groups
    ] == [
        ("Not explained by a cause", ["FAIL alu181 / all"]),
        ("A1 settled", ["FAIL crc16 / bytes", "FAIL uart / directed"]),
    ]
    assert [len(group.xpath("details[@open]")) for group in groups] == [1, 1]
    assert all(group.xpath("details[1]/@open") for group in groups)


def test_paper_has_the_first_table_of_each_cause_and_says_where_the_others_are() -> None:
    tables = [failed(f"d{n}", "all", cause="A1" if n < 5 else "") for n in range(9)]
    other = replace(OPEN, key="A1:2", tables=("d8/all",))
    tables[8] = replace(tables[8], cause="A1:2")
    run = run_of(chip("A1", "SP2-0001", *tables), causes=(OPEN, other))
    page = html.fromstring(chip_html(run, run.chips[0]))
    printed = [words(one) for one in page.xpath('//details[contains(@class, "printed")]//h4')]
    assert printed == ["FAIL d0 / all", "FAIL d5 / all", "FAIL d8 / all"]
    (note,) = page.xpath('//p[@class="paper"]')
    assert words(note) == (
        "Printed in full: 3 of 9 tables, at least one for each cause. The others have a line each "
        "under “All tables”; the file SP2-0001.html has their cycles, and prints those that are "
        "open."
    )
    few = html.fromstring(chip_html(RUN, RUN.chips[0]))
    assert len(few.xpath('//details[contains(@class, "printed")]')) == 2
    assert not few.xpath('//p[@class="paper"]')


def test_a_cause_that_explains_nothing_on_its_own_chip_is_still_shown() -> None:
    one = chip("A1", "SP2-0001", passed("lfsr", "period"))
    page = html.fromstring(chip_html(run_of(one, causes=(OPEN,)), one))
    assert words(page.xpath('//article[@id="cause-1"]//h3')[0]) == "A1 settled"
    assert page.xpath('//details[contains(@class, "finding")]') == []


def test_what_is_not_settled_is_said_once() -> None:
    open_case = replace(OPEN, settled=False, summary="A1 (SP2-0001): not settled: in3 is open.")
    page = html.fromstring(index_html(replace(RUN, causes=(open_case,)).overview))
    (cause,) = page.xpath('//article[@id="cause-1"]')
    assert words(cause).startswith("A1 A1 (SP2-0001): not settled: in3 is open. What to do:")


def test_a_decision_stands_beside_the_tools_own_conclusion() -> None:
    text = words(html.fromstring(chip_html(DECIDED, DECIDED.chips[0])))
    assert "Overruled by Wilma on 2026-03-09: dead-pad. X-rayed" in text
    assert OPEN.summary in text


def test_a_failure_that_is_not_yet_final_says_so() -> None:
    run = run_of(chip("A1", "SP2-0001", failed(rules="")))
    text = words(html.fromstring(chip_html(run, run.chips[0])))
    assert "provisional: it was not yet compared with other tables, chips and runs" in text


def test_a_chips_page_and_its_card_begin_with_the_cause_and_then_give_the_evidence() -> None:
    page = html.fromstring(chip_html(RUN, RUN.chips[0]))
    lead, evidence = page.xpath("//header/p[@class='lead' or @class='evidence-line']")
    assert (words(lead), lead.find("a").get("href")) == (OPEN.summary, "#cause-1")
    assert words(evidence).startswith("2 of 3 tables failed. First: crc16 / bytes, cycle 20")
    card = html.fromstring(index_html(RUN.overview)).find_class("card")[0]
    assert [words(p) for p in card.iter("p")][1:3] == [OPEN.summary, words(evidence)]


def test_a_head_names_three_causes_and_counts_the_rest() -> None:
    causes = [replace(OPEN, key=f"A1/{k}", summary=f"Cause {k}.") for k in range(5)]
    run = replace(RUN, causes=tuple(causes))
    leads = html.fromstring(chip_html(run, run.chips[0])).find_class("lead")
    assert [(words(lead), lead.find("a").get("href")) for lead in leads] == [
        ("Cause 0.", "#cause-1"), ("Cause 1.", "#cause-2"), ("Cause 2.", "#cause-3"),
        ("and 2 more causes", "#cause-4"),
    ]  # fmt: skip


def test_a_headline_and_the_tally_below_it_count_the_same_tables() -> None:
    wrong = failed("crc16", "bytes", reason=Reason.TABLE_ALIKE)
    one = chip("A1", "SP2-0001", wrong, failed("lfsr", "period"), failed("lfsr", "states"))
    head = html.fromstring(chip_html(run_of(one), one)).find("body/header")
    assert words(head.find_class("headline")[0]).startswith(
        "2 of 3 tables failed. 1 more failed for the table or the design, not for this chip. First:"
    )
    assert words(head.find_class("tally")[0]) == "Tables: FAIL 3"


def test_a_chip_is_not_blamed_for_a_table_and_its_page_says_so() -> None:
    wrong = failed("crc16", "bytes", reason=Reason.TABLE_ALIKE)
    one = chip("A1", "SP2-0001", wrong, passed("lfsr", "period"))
    assert one.verdict is Verdict.PASS
    text = words(html.fromstring(chip_html(run_of(one), one)))
    assert "1 table passed. 1 table failed for the table or the design, not for this chip." in text


def test_a_chip_of_which_only_a_wrong_table_ran_is_not_judged() -> None:
    one = chip("A1", "SP2-0001", failed("crc16", "bytes", reason=Reason.TABLE_ALIKE))
    assert one.verdict is Verdict.NOT_RUN
    text = words(html.fromstring(chip_html(run_of(one), one)))
    assert "1 table failed for the table or the design; nothing else was run." in text


def test_junit_names_the_cause_of_each_failure() -> None:
    root = ET.fromstring(chip_junit(RUN, RUN.chips[0]))
    texts = [failure.text or "" for failure in root.iter("failure")]
    assert all(text.startswith(f"Cause A1: {OPEN.summary}\n") for text in texts)
    assert all(f"\nWhat to do: {OPEN.advice}\n" in text for text in texts)
    properties = {p.get("name"): p.get("value") for p in root.iter("property")}
    assert properties["cause.crc16.bytes"] == "A1"
    assert "cause.lfsr.period" not in properties


def test_causes_are_a_frame_and_outcomes_refer_to_it() -> None:
    frame = causes_frame(DECIDED)
    assert list(frame.columns) == list(CAUSE_COLUMNS)
    row = frame.iloc[0].to_dict()
    assert (row["key"], row["kind"], row["party"], row["pins"]) == ("A1", "open", "board", "in3")
    assert (row["odds"], row["settled"], row["tables"]) == (400.0, True, 2)
    assert row["overruled"] == "dead-pad"
    assert outcomes_frame(RUN)["cause"].tolist() == ["A1", "A1", "", ""]
    assert len(causes_frame(run_of())) == 0


def test_an_explanation_is_its_kinds_and_their_places() -> None:
    short = Candidate(CauseKind.SHORT, ("out2", "out3"), "", "", "and", 1.0)
    table = Candidate(CauseKind.TABLE_WRONG, (), "crc16", "bytes", "", 1.0)
    defect = Candidate(CauseKind.DESIGN_DEFECT, (), "crc16", "", "", 1.0)
    beside = replace(short, design="crc16, alu")
    held = Candidate(CauseKind.STUCK, ("in0",), "crc16, alu", "", "low", 1.0)
    assert explanation_text([short]) == "short: out2, out3 (and)"
    assert explanation_text([Candidate(CauseKind.NO_SUPPLY, (), "", "", "", 1.0)]) == "no-supply"
    assert explanation_text([table]) == "table-wrong: crc16/bytes"
    assert explanation_text([defect]) == "design-defect: crc16"
    assert explanation_text([beside, held]) == (
        "short: out2, out3 (and) with stuck: in0 (low) with design-defect: crc16, alu"
    )


def test_a_cause_on_the_runs_page_leads_to_its_chips_and_tables() -> None:
    tables = ("crc16/bytes", *(f"crc16/t{number}" for number in range(9)))
    page = html.fromstring(
        index_html(replace(RUN, causes=(replace(OPEN, tables=tables),)).overview)
    )
    links = {words(link): link.get("href") for link in page.xpath('//article[@id="cause-1"]//a')}
    chip_page = "chips/SP2-0001/SP2-0001.html#cause-1"
    assert links["A1 SP2-0001"] == links["2 more"] == chip_page
    assert links["crc16/bytes"] == "designs/crc16.html#table-bytes"
    assert "crc16/t0" not in links, "a table that only the continuity test ran has no page"
    shared = replace(OPEN, slots=tuple(f"S{n}" for n in range(11)), tables=("crc16/t",))
    chips = [chip(slot, f"SP2-10{slot[1:]}", passed("crc16", "t")) for slot in shared.slots]
    page = html.fromstring(index_html(run_of(*chips, causes=(shared,)).overview))
    (more,) = page.xpath('//article[@id="cause-1"]//a[starts-with(., "3 more")]/@href')
    assert more == "designs/crc16.html"


def test_a_cause_is_found_by_what_a_person_would_look_for() -> None:
    """A contact that comes and goes looks unstable, though its tables are ERROR in the end."""
    error = replace(errored(), slot="A1", chip_serial="SP2-0001", cause="A1")
    flaky = replace(
        OPEN,
        candidates=(Candidate(CauseKind.FLAKY_CONTACT, ("in3",), "", "", "", 1.0),),
        tables=(f"{error.design}/{error.table}",),
    )
    silent = replace(
        OPEN,
        key="board-unusable:A6",
        slots=("A6",),
        candidates=(Candidate(CauseKind.BOARD_UNUSABLE, (), "", "", "", 1.0),),
        tables=(),
    )
    run = run_of(chip("A1", "SP2-0001", error), silent_chip("A6", "SP2-0006"))
    page = html.fromstring(index_html(replace(run, causes=(flaky, silent, OPEN)).overview))
    shapes = page.xpath('//article[@class="cause"]/@data-verdicts')
    assert shapes == ["unstable error", "error", ""]


def test_two_faults_at_once_are_one_row_and_both_their_pins_are_suspected() -> None:
    short = Candidate(CauseKind.SHORT, ("out2", "out3"), "", "", "and", 1.0, 1)
    held = Candidate(CauseKind.STUCK, ("in0",), "", "", "low", 1.0, 1)
    other = Candidate(CauseKind.OTHER_MAP, (), "", "", "as on B", 0.01, 2)
    cause = replace(OPEN, candidates=(short, held, other))
    page = html.fromstring(index_html(replace(RUN, causes=(cause,)).overview))
    rows = page.xpath('//article[@id="cause-1"]//tbody/tr')[:2]
    assert [[words(cell) for cell in row] for row in rows] == [
        ["short: out2, out3 (and) with stuck: in0 (low)", "–"],
        ["other-map (as on B)", "100 : 1"],
    ]
    assert list(cells(page)) == ["out2", "out3", "in0"]
    row = causes_frame(replace(RUN, causes=(cause,))).iloc[0]
    assert (row["kind"], row["pins"]) == ("short stuck", "out2 out3 in0")


def test_the_chips_page_shows_the_continuity_test_pin_by_pin() -> None:
    tables = ("crc16/bytes", "uart/directed", "alu181/all", "lfsr/period")
    pins = (
        PinProof("in0", PinState.PROVEN, tables, ""),
        PinProof("in3", PinState.SUSPECTED, (), "A1"),
        PinProof("io2", PinState.NOT_PROVEN, (), ""),
    )
    extra = passed("alu181", "all")
    run = replace(RUN, continuity=(SlotPins("A1", tables, (extra,), pins),))
    page = html.fromstring(chip_html(run, run.chips[0]))
    (section,) = page.xpath('//section[@aria-labelledby="continuity"]')
    assert "4 tables ran first: crc16/bytes, " in words(section)
    assert "1 of 3 pins proven to reach the chip." in words(section)
    assert [[words(cell) for cell in row] for row in section.xpath(".//tbody/tr")] == [
        ["in0", "reaches the chip", "crc16/bytes, uart/directed, alu181/all and 1 more"],
        ["in3", "suspected", "cause A1"],
        ["io2", "not proven", "–"],
    ]
    assert "PASS alu181 / all" in words(section)
    assert html.fromstring(chip_html(run, run.chips[1])).xpath('//*[@id="continuity"]') == []


def test_a_failure_shows_bus_values_and_what_the_author_may_have_got_wrong() -> None:
    expect = [5, 3, 9, 12, 1, 14, 6, 10]
    cycles = tuple(
        EvidenceCycle(k, k, k + 2, 0, "", (PinResult("out0", "q[0]", "H", "0"),)) for k in (1, 2)
    )
    kept = window(expect, [word ^ 15 for word in expect], care=15, rows=range(8))
    one = chip("A1", "SP2-0001", failed(long_window=kept, evidence=cycles))
    run = run_of(one)
    texts = [
        words(html.fromstring(chip_html(run, one))),
        next(ET.fromstring(chip_junit(run, one)).iter("failure")).text or "",
    ]
    for text in texts:
        assert "q[3:0] expected 0x3, observed 0x2, differs 0x1" in text
        assert "q[3:0] expected 0x9, observed 0x8, differs 0x1" in text
        assert "If q[3:0] is inverted: every mismatch vanishes." in text


def test_a_failure_says_how_its_table_did_on_its_own_netlist() -> None:
    first = EvidenceCycle(4, 2, 7, 0, "", (PinResult("out0", "q[0]", "H", "0"),))
    bad = Rehearsal(RehearsalResult.FAILS, states=3, failing_states=3, mismatches=9, first=first)
    one = chip("A1", "SP2-0001", failed(rehearsal=bad))
    text = words(html.fromstring(chip_html(run_of(one), one)))
    assert "Rehearsal fails on its own netlist; first in cycle 4, table line 7" in text.replace(
        "Rehearsalfails", "Rehearsal fails"
    )

"""The page of a design in one run: its tables chip by chip, and the chips that answer alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from lxml import html

from harness.records import RunRecord
from harness_reports.html import design_html
from tests.unit.reports.samples import (
    chip,
    errored,
    failed,
    passed,
    run_of,
    sample_run,
    silent_chip,
    unstable,
)
from tests.unit.reports.test_causes import OPEN


def page(run: RunRecord, design: str) -> Any:
    one = next(each for each in run.designs if each.design == design)
    return html.fromstring(design_html(one))


def words(element: Any) -> str:
    return " ".join(element.text_content().split())


def rows(tree: Any) -> list[list[str]]:
    return [[words(cell) for cell in row] for row in tree.xpath("//table/tbody/tr")]


def test_a_table_has_a_row_for_each_chip_with_the_worst_first_and_what_was_wrong_first() -> None:
    wrong = "cycle 20, line 15: q[3:0] expected 0x4, observed 0x0, differs 0x4"
    assert rows(page(sample_run(), "alu181")) == [
        ["FAIL", "A3 SP2-0003", "A", wrong, "–", "512", "4,120"],
        ["FAIL", "A4 SP2-0004", "A", wrong, "–", "512", "4,120"],
        ["PASS", "A1 SP2-0001", "–", "–", "–", "0", "4,120"],
        ["PASS", "A2 SP2-0002", "–", "–", "–", "0", "4,120"],
    ]


def test_chips_that_answer_alike_are_counted_by_their_answers() -> None:
    other = replace(failed(), mismatches=7)
    flaky = replace(unstable(), design="alu181", table="exhaustive")
    chips = (failed(), failed(), failed(), other, other, flaky, passed("alu181", "exhaustive"))
    run = run_of(*(chip(f"A{k}", f"SP2-000{k}", one) for k, one in enumerate(chips)))
    tree = page(run, "alu181")
    assert [words(line) for line in tree.xpath("//dl[@class='groups alike']/div")] == [
        "Alike: A3 of the 7 chips that answered give the same wrong answer.",
        "Alike: B2 of the 7 chips that answered give the same wrong answer.",
    ]
    assert [row[2] for row in rows(tree)] == ["A", "A", "A", "B", "B", "–", "–"]


def test_a_row_leads_to_the_table_on_the_chips_page_and_to_its_cause() -> None:
    one = chip("A5", "SP2-0005", passed(), failed(cause=OPEN.key))
    tree = page(run_of(one, silent_chip("A6", "SP2-0006"), causes=(OPEN,)), "alu181")
    assert tree.xpath("//table[@class='list rows']/tbody//a/@href") == [
        "../chips/SP2-0005/SP2-0005.html#table-2",
        "../chips/SP2-0005/SP2-0005.html#cause-1",
    ]
    assert OPEN.summary in words(tree.xpath("//section[h2/@id='causes']")[0])
    unreached = tree.xpath("//section[h2/@id='unreached']//a")
    assert [words(link) for link in unreached] == ["A6 SP2-0006"]


def test_a_table_that_could_not_be_tested_says_why() -> None:
    tree = page(run_of(chip("A1", "S", errored())), "uart8n1")
    assert rows(tree)[0][2] == errored().summary


def test_a_design_leads_to_those_beside_it_and_to_the_next_that_did_not_pass() -> None:
    tree = page(sample_run(), "lfsr16")
    trail, beside = tree.xpath("//nav")
    assert [words(item) for item in trail.iter("li")][-1] == "lfsr16"
    assert {words(a): a.get("href") for a in (*trail.iter("a"), *beside.iter("a"))} == {
        "Run of 2026-03-09 14:05 UTC": "../index.html",
        "Previous design: alu181": "../designs/alu181.html",
        "Next design: fifo8": "../designs/fifo8.html",
        "Previous failing design: alu181": "../designs/alu181.html",
        "Next failing design: fifo8": "../designs/fifo8.html",
    }

"""The pages as markup: what they hold, in which order, and that nothing else gets in."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from harness.errors import printable
from harness.records import Attempt, EvidenceCycle, PinResult, RunRecord, SourceLine, Verdict
from harness_reports import chip_html, write_run
from harness_reports.html import design_html, file_text, index_html, text_hash
from tests.unit.reports.samples import (
    HOSTILE,
    chip,
    errored,
    every_verdict,
    failed,
    hostile_run,
    long_chip,
    not_run,
    passed,
    run_of,
    sample_run,
    unstable,
    waived,
    window,
)

STYLE = Path(__file__).parents[3] / "reports" / "harness_reports" / "templates" / "style.css"
FINDING = "//details[starts-with(@class, 'finding')]"
PACED = (
    "They ran at 48.25 kHz on average, paced by software: single cycles may be longer,"
    " so speed is not proven."
)
FIRST = "cycle 20, table line 15: pin out2 (q[2]) expected 1, observed 0"


def _page(run: RunRecord, slot: int = 0) -> Any:
    return html.fromstring(chip_html(run, run.chips[slot]))


def _words(element: Any) -> str:
    return " ".join(element.text_content().split())


def _all_pages(run: RunRecord) -> list[Any]:
    index = html.fromstring(index_html(run.overview))
    designs = (html.fromstring(design_html(design)) for design in run.designs)
    return [index, *(_page(run, k) for k in range(len(run.chips))), *designs]


@pytest.mark.parametrize(
    ("outcome", "headline"),
    [
        (passed(), "The only table passed."),
        (
            failed(),
            f"1 of 1 table failed. First: alu181 / exhaustive, {FIRST}.",
        ),
        (
            unstable(),
            f"1 of 1 table answered differently when repeated. First: fifo8 / depth, {FIRST}.",
        ),
        (
            errored(),
            f"1 of 1 table could not be tested. First: uart8n1 / loopback: {errored().summary}",
        ),
        (
            waived(),
            f"1 of 1 table failed under a waiver. First: lfsr16 / period, {FIRST}.",
        ),
        (not_run(), f"1 of 1 table not run. First: aes_sbox / all: {not_run().summary}"),
    ],
)
def test_the_verdict_comes_first_with_word_shape_and_reason(outcome: Any, headline: str) -> None:
    tree = _page(run_of(chip("A1", "SP2-0001", outcome)))
    head = tree.find("body/header")
    assert _words(head.find_class("stamp")[0]) == outcome.verdict.value
    shape = outcome.verdict.value.lower().replace(" ", "-")
    assert head.xpath(".//*[@class='stamp']//use/@href") == [f"#shape-{shape}"]
    assert _words(head.find_class("headline")[0]) == headline


def test_a_chip_without_a_board_says_so() -> None:
    tree = _page(sample_run(), 5)
    assert _words(tree.find_class("stamp")[0]) == "ERROR"
    assert "nothing came back from the board within 2 s" in _words(tree.find("body/header"))
    assert not tree.xpath("//table")


def test_failures_come_worst_first_and_then_one_row_for_each_table() -> None:
    tree = _page(sample_run(), 2)
    found = [_words(h3) for h3 in tree.xpath("//details//h3")]
    assert found == [
        "FAIL alu181 / exhaustive",
        "UNSTABLE fifo8 / depth",
        "ERROR uart8n1 / loopback",
        "WAIVED lfsr16 / period",
    ]
    rows = tree.xpath("//table[@class='list lines']/tbody/tr")
    assert [_words(row[0]) for row in rows] == [o.verdict.value for o in every_verdict()]


def test_a_chips_page_names_the_author_of_each_design_if_its_file_does() -> None:
    outcomes = (passed(), passed(table="carry", design_author=""))
    rows = _page(run_of(chip("A1", "S", *outcomes))).xpath("//section[@class='wide']//tbody/tr")
    assert [_words(row[1]) for row in rows] == [
        "ctr163 / count Synchronous 4-bit counter, by Wilma Dunlin",
        "ctr163 / carry Synchronous 4-bit counter",
    ]


def test_a_failure_holds_all_its_evidence() -> None:
    (finding,) = _page(run_of(chip("A1", "SP2-0001", failed()))).xpath(FINDING)
    text = _words(finding)
    own = (failed().summary, failed().advice, failed().design_source)
    for wanted in (
        *own,
        "every tested bit was the same",
        "The first 3 of 512 failing cycles of run 1",
    ):
        assert wanted in text
    rows = [[_words(cell) for cell in row] for row in finding.xpath(".//table[1]/tbody/tr")]
    inputs = "with load_n 1, en 1, clk pulsed high, rst_n 1"
    out2 = "out2 (q[2]) expected 1, observed 0"
    values = "q[3:0] expected 0x4, observed 0x0, differs 0x4"
    assert rows[0] == ["20", "15", f"{values}{inputs}", "–", out2]
    assert [rows[1][k] for k in (0, 1, 3)] == ["21", "16repeat 2", "wrap"]
    assert rows[1][2].startswith("q[3:0] expected 0x5, observed 0x1, differs 0x4")
    assert rows[1][4] == f"{out2}out4 (carry) expected 1, observed 0"
    assert ["out2 (q[2])", "512"] in rows
    assert ["3", "512", "91AA03F7", "300 ms", "0"] in rows
    assert finding.xpath("count(.//svg[@role='img'])") == 1
    assert finding.xpath(".//figcaption//a/@href") == ["alu181.exhaustive.vcd"]


def test_a_failing_cycle_links_to_its_line_of_the_table_which_is_marked() -> None:
    lines = tuple(SourceLine(*line) for line in ((1, "clk,q"), (14, "C,<3>"), (15, "C,4")))
    page = _page(run_of(chip("A1", "SP2-0001", failed(source=lines))))
    (link,) = page.xpath("//table[@class='evidence']//a[@href='#table-1-line-15']")
    assert link.text == "15"
    items = page.xpath("//figure[@class='source']//li")
    assert [(item.get("value"), item.get("id"), _words(item)) for item in items] == [
        ("1", "table-1-line-1", "clk,q"),
        ("14", "table-1-line-14", "C,<3>"),
        ("15", "table-1-line-15", "C,4"),
    ]
    assert [(item.get("class") or "").split() for item in items] == [[], ["apart"], ["failing"]]


def test_a_failure_with_many_wrong_pins_lists_whole_cycles_but_not_too_many() -> None:
    wrong = tuple(PinResult(f"out{k}", f"q[{k}]", "H", "0") for k in range(9))
    cycles = tuple(EvidenceCycle(k, k, k + 2, 0, "", wrong) for k in range(8))
    (finding,) = _page(run_of(chip("A1", "S", failed(evidence=cycles)))).xpath(FINDING)
    assert len(finding.xpath(".//table[@class='evidence']/tbody/tr")) == 2
    assert "The first 2 of 512 failing cycles of run 1." in _words(finding)


def test_an_unstable_table_says_which_run_is_drawn_and_in_how_many_runs_a_bit_was_wrong() -> None:
    runs = (
        Attempt(1, 0, "0000000C", 0.3),
        Attempt(2, 3, "0000000B", 0.3, first_cycle=20, first_wrong=("out2", "out1")),
        Attempt(3, 7, "0000000A", 0.3, first_cycle=11, first_wrong=("out1",)),
    )
    bad = tuple(
        EvidenceCycle(cycle, 1, 15, 0, "", (PinResult("out1", "q[1]", "H", "0"),))
        for cycle in (20, 22)
    )
    outcome = replace(unstable(), attempts=runs, evidence=bad, window=window(wrong_at=99))
    text = _words(_page(run_of(chip("A1", "S", outcome))).xpath(FINDING)[0])
    for words in (
        "The first 2 of 14 failing cycles of run 2.",
        "The drawing shows the cycles as they were read back, in a separate run after run 2.",
        "A broken box: wrong in run 2, right when it was read back (2 bits).",
        "First mismatch in cycle 20: out1 (q[1]) wrong in another run (wrong).",
    ):
        assert words in text
    # at cycle 20 the third run had gone wrong before, so the record does not say
    first = replace(outcome, attempts=(*runs[:2], replace(runs[2], first_cycle=21)))
    text = _words(_page(run_of(chip("A1", "S", first))).xpath(FINDING)[0])
    assert "out1 (q[1]) expected 1, observed 0, wrong in 1 of 3 runs" in text
    assert "First mismatch in cycle 20: out1 (q[1]) wrong in another run (1 of 3)." in text


def test_a_waived_failure_shows_owner_reason_ticket_and_expiry() -> None:
    text = _words(_page(run_of(chip("A1", "SP2-0001", waived()))).xpath(FINDING)[0])
    for wanted in ("R. Ebb", "known hold problem of this lot", "LT-42", "2027-01-31"):
        assert wanted in text


def test_a_long_chip_shows_its_failures_first_and_its_passes_in_a_line() -> None:
    run = run_of(long_chip())
    tree = _page(run)
    assert len(tree.xpath(FINDING)) == 3
    assert len(tree.xpath("//table[@class='list lines']/tbody/tr")) == 150
    links = tree.xpath("//table[@class='list lines']//th/a/@href")
    assert links == ["#table-41", "#table-78", "#table-121"]
    assert len(chip_html(run, run.chips[0])) < 200_000


def test_a_chips_page_begins_with_its_contents_and_every_link_in_it_has_a_place() -> None:
    page = _page(sample_run(), 2)
    lines = [[_words(part) for part in row] for row in page.xpath("//nav[@class='contents']//div")]
    assert lines == [
        ["Did not pass", "alu181", "fifo8", "uart8n1", "lfsr16"],
        [
            *("Also here", "All 6 tables", "Conditions", "Input files"),
            "How far a pass can be trusted",
        ],
    ]
    links = page.xpath("//nav[@class='contents']//a/@href | //a[@class='skip']/@href")
    assert len(links) == 9
    assert all(page.get_element_by_id(link.removeprefix("#")) is not None for link in links)


def test_how_far_a_pass_goes_is_told_from_the_record() -> None:
    told = [_words(li) for li in _page(sample_run()).xpath("//ul[@class='trust']/li")]
    assert told == [
        "The board was virtual: this page describes a model of the chip, not silicon.",
        "3 passed tables ran 73,775 cycles in all.",
        PACED,
        "3 of 3 passed tables ran only once: an intermittent fault can be missed.",
        "Only outputs that a table tests are judged; a defect that no table shows goes unseen.",
        "Supply voltage and temperature were not recorded in this run.",
    ]


def test_a_chip_with_no_pass_claims_nothing() -> None:
    told = _words(_page(run_of(chip("A1", "S", failed(), virtual=False))).find_class("trust")[0])
    assert told.startswith("No table passed, so nothing here vouches for the chip.")


def test_a_board_that_times_cycles_in_hardware_gets_the_credit() -> None:
    asked = passed().conditions
    assert asked is not None
    exact = replace(asked, exact=True, achieved_hz=50_000.0)
    tree = _page(run_of(chip("A1", "S", passed(conditions=exact), exact=True, virtual=False)))
    assert "They ran at 50 kHz, every cycle timed by hardware." in _words(tree)


def test_a_run_slower_than_asked_is_said_to_be() -> None:
    asked = passed().conditions
    assert asked is not None
    slow = replace(asked, achieved_hz=20_000.0)
    tree = _page(run_of(chip("A1", "S", passed(conditions=slow))))
    assert "1 of them ran more than 10 % slower than requested." in _words(tree)


def test_the_index_shows_the_rack_the_verdicts_and_the_tables_that_differ() -> None:
    tree = html.fromstring(index_html(sample_run().overview))
    slots = [_words(h3) for h3 in tree.xpath("//li[contains(@class, 'card')]/h3")]
    assert slots == [f"A{n} SP2-000{n}" for n in range(1, 7)]
    groups = [[_words(e) for e in div] for div in tree.xpath("//dl[@class='groups']/div")]
    assert groups == [
        ["FAIL 2", "SP2-0003", "SP2-0004"],
        ["ERROR 1", "SP2-0006"],
        ["WAIVED 1", "SP2-0005"],
        ["PASS 2", "SP2-0001", "SP2-0002"],
    ]
    rows = tree.xpath("//table[@class='list']/tbody/tr")
    assert [_words(cell) for cell in rows[0]] == [
        "alu181 / exhaustive",
        "FAIL 2 SP2-0003 SP2-0004 PASS 2",
    ]
    assert len(rows) == 5
    assert _words(tree.xpath("//table[@class='list']/caption")[0]) == (
        "1 table passed on every chip that could be tested. The rest:"
    )


def test_the_map_has_a_cell_for_each_design_and_chip_with_the_worst_first() -> None:
    tree = html.fromstring(index_html(sample_run().overview))
    (table,) = tree.xpath("//table[@class='map']")
    heads = [_words(head) for head in table.xpath("thead//a")]
    assert heads == [
        "A3 SP2-0003", "A4 SP2-0004", "A6 SP2-0006", "A5 SP2-0005", "A1 SP2-0001", "A2 SP2-0002",
    ]  # fmt: skip
    rows = {
        _words(row.xpath("th")[0]): [
            (cell.get("class") or "").removeprefix("c-") for cell in row.xpath("td")
        ]
        for row in table.xpath("tbody/tr")
    }
    assert list(rows) == ["alu181", "fifo8", "uart8n1", "aes_sbox", "lfsr16", "ctr163"]
    assert rows["alu181"] == ["sum", "fail", "fail", "", "", "pass", "pass"]
    assert rows["ctr163"] == ["sum", "pass", "pass", "", "pass", "pass", "pass"]
    assert [_words(cell) for cell in table.xpath("tfoot//td")] == ["", "4", "1", "", "", "", ""]


def test_the_legend_of_the_map_counts_its_cells_with_the_marks_that_they_have() -> None:
    page = html.fromstring(index_html(sample_run().overview))
    cells = page.xpath("//table[@class='map']/tbody/tr/td[a]/@class")
    legend = page.find_class("cells")[0].xpath("li[i]")
    assert {item.get("class") for item in legend} == set(cells)
    for item in legend:
        assert _words(item.find_class("number")[0]) == str(cells.count(item.get("class")))
    assert "NOT RUN" in [_words(item.find("strong")) for item in legend]


def test_every_cell_of_the_map_leads_to_the_design_on_that_chips_page(tmp_path: Path) -> None:
    written = write_run(sample_run(), tmp_path)
    tree = html.fromstring(written.index.read_bytes())
    heads = tree.xpath("//table[@class='map']//tbody/tr/th/a")
    assert [link.get("href") for link in heads] == [f"designs/{_words(h)}.html" for h in heads]
    links = tree.xpath("//table[@class='map']//tbody//td/a/@href")
    assert len(links) == sum(
        len({outcome.design for outcome in one.outcomes}) for one in sample_run().chips
    )
    for link in links:
        page, _, anchor = link.partition("#")
        place = html.fromstring((tmp_path / page).read_bytes()).get_element_by_id(anchor)
        assert anchor.removeprefix("design-") in _words(place)


def test_a_map_is_no_wider_than_a_sheet_and_lacks_no_chip() -> None:
    few = sample_run()
    many_chips = tuple(
        replace(few.chips[k % 6], slot=f"A{k:03}", chip_serial=f"SP2-{k:04}") for k in range(150)
    )
    tree = html.fromstring(index_html(replace(few, chips=many_chips).overview))
    heads = [table.xpath("thead//a") for table in tree.xpath("//table[@class='map']")]
    assert [len(part) for part in heads] == [64, 64, 22]
    shown = {_words(head).split()[-1] for part in heads for head in part}
    assert shown == {one.chip_serial for one in many_chips}


def test_the_index_of_very_many_chips_counts_verdicts_and_names_some() -> None:
    few = sample_run()
    many_chips = tuple(
        replace(few.chips[k % 6], slot=f"A{k:03}", chip_serial=f"SP2-{k:04}") for k in range(72)
    )
    tree = html.fromstring(index_html(replace(few, chips=many_chips).overview))
    rows = tree.xpath("//table[@class='list']/tbody/tr")
    first = rows[0]
    assert _words(first.xpath("th")[0]) == "alu181 / exhaustive"
    shares = [_words(div) for div in first.xpath("td/div")]
    named = "SP2-0002 SP2-0003 SP2-0008 SP2-0009 SP2-0014 SP2-0015 SP2-0020 SP2-0021"
    assert shares == [f"FAIL 24 {named} and 16 more", "PASS 24"]
    links = first.xpath("td/div/a/@href")
    assert links[0] == "chips/SP2-0002/SP2-0002.html#design-alu181"
    assert len(rows) == 5


def test_a_run_is_called_by_its_rack_and_date_and_unstable_is_explained_where_it_stands() -> None:
    index = html.fromstring(index_html(sample_run().overview))
    title = "bench by the window, 2026-03-09 14:05 UTC"
    assert _words(index.xpath("//h1")[0]) == title
    assert "Run 2026-03-09-1405-a3f1" in _words(index.find("body/header"))
    trail = _page(sample_run()).xpath("//nav[@aria-label='Breadcrumbs']//li")
    assert [_words(item) for item in trail] == ["Run of 2026-03-09 14:05 UTC", "SP2-0001"]
    meaning = "UNSTABLE is a verdict on a table: repeated with the same inputs,"
    for page, told in ((index, True), (_page(sample_run()), False), (_page(sample_run(), 2), True)):
        assert (meaning in _words(page.find("body/header"))) is told


def test_the_time_of_a_table_is_said_to_be_more_or_less_than_its_cycles_at_its_rate() -> None:
    (virtual, real) = (
        _words(_page(run_of(chip("A1", "S", passed(), virtual=virtual))).xpath("//caption")[0])
        for virtual in (True, False)
    )
    assert virtual.endswith("a virtual board only simulates the rate, and may need less.")
    assert real.endswith("with transfers; the rate is that of the cycles alone.")


def test_a_stopped_and_an_unfinished_run_are_marked() -> None:
    stopped = replace(sample_run(), cancelled=True)
    assert all("stopped by hand" in _words(page) for page in _all_pages(stopped))
    going = html.fromstring(index_html(replace(sample_run(), finished=None).overview))
    assert "The run has no recorded end" in _words(going)


def test_an_empty_rack_still_makes_a_page() -> None:
    text = _words(html.fromstring(index_html(run_of().overview)))
    assert "The rack had no chips." in text
    assert "No table was reached on any chip." in text


def test_planted_markup_stays_text_everywhere() -> None:
    run = hostile_run()
    ours = file_text("steps.js", "find.js")
    for page in _all_pages(run):
        assert not page.xpath("//iframe|//object|//img")
        assert [form.get("id") for form in page.xpath("//form")] in ([], ["find"])
        assert [script.text for script in page.xpath("//script")] in ([], [ours])
        assert printable(HOSTILE) in page.text_content()
    raw = chip_html(run, run.chips[0]).decode("utf-8")
    assert raw.count("<script") == 1
    assert not re.search("[\x00-\x08\x0b-\x1f\u202e]", raw)
    # every field of the chip, the run and its outcomes that the page shows keeps the whole text
    assert raw.count("&lt;script&gt;") > 100


def test_a_page_asks_for_nothing_and_runs_nothing_but_our_script() -> None:
    for page in [*_all_pages(sample_run()), *_all_pages(hostile_run())]:
        names = {name for element in page.iter() for name in element.attrib}
        assert not {name for name in names if name.startswith("on") or name in {"src", "style"}}
        for _, _, link, _ in page.iterlinks():
            assert not re.match(r"[a-z]+:(?!,)|//", link), link
        (style,) = page.xpath("//style")
        assert "url(" not in style.text
        assert "@import" not in style.text
        (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        allowed = [f"'sha256-{text_hash(script.text)}'" for script in page.xpath("//script")]
        assert re.findall(r"script-src (\S+);", policy)[: len(allowed)] == allowed


def test_headings_captions_and_ids_are_in_order() -> None:
    for page in _all_pages(sample_run()):
        levels = [int(e.tag[1]) for e in page.iter("h1", "h2", "h3", "h4")]
        assert levels[0] == 1
        assert levels.count(1) == 1
        steps = pairwise(levels)
        assert all(after - before <= 1 for before, after in steps)
        assert all(table.find("caption") is not None for table in page.iter("table"))
        ids = page.xpath("//@id")
        assert len(ids) == len(set(ids))
        assert page.get("lang") == "en"
        assert len(page.xpath("//main")) == 1


def _themes() -> list[dict[str, str]]:
    """Variables of the light, the dark and the printed page; later ones build on the first."""
    blocks = re.findall(r":root \{(.*?)\n {0,2}\}", STYLE.read_text(encoding="utf-8"), re.DOTALL)
    found = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in blocks]
    assert len(found) == 3
    return [found[0], found[0] | found[1], found[0] | found[2]]


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (from memory, confirmed by axe-core's verdict)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [0, 1, 2])
@pytest.mark.parametrize("text", ["ink", "soft", "link", "wrong"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_text_stands_out_in_every_theme(theme: int, text: str, ground: str) -> None:
    colours = _themes()[theme]
    assert _contrast(colours[text], colours[ground]) >= 4.5


def test_a_mark_stands_out_on_every_fill() -> None:
    colours = _themes()[0]
    for verdict in ("pass", "fail", "unstable", "error", "waived"):
        assert _contrast(colours["mark"], colours[verdict]) >= 4.5


def test_the_fills_are_of_the_okabe_ito_palette() -> None:
    # Okabe and Ito, "Color Universal Design", 2008; values from memory, confirmed by matplotlib's
    # and R's palette of that name
    palette = {"#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
    fills = [_themes()[0][name] for name in ("pass", "fail", "unstable", "error", "waived")]
    assert set(fills) <= palette
    assert len(set(fills)) == 5


def test_every_verdict_has_a_shape_and_a_style() -> None:
    style = STYLE.read_text(encoding="utf-8")
    shapes = (STYLE.parent / "shapes.svg.jinja").read_text(encoding="utf-8")
    for verdict in Verdict:
        shape = verdict.value.lower().replace(" ", "-")
        assert f'id="shape-{shape}"' in shapes
        assert f".v-{shape} > .shape" in style

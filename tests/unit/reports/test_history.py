"""History pages: what stands on them, and as files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.records import SEVERITY_ORDER, Verdict
from harness.store import Selection, Store, of_chip, of_design, of_slot
from harness_reports import (
    Links,
    history_html,
    history_policy,
    subjects_html,
    wakes_text,
    write_histories,
)
from harness_reports.history import HistoryPage, build_history
from harness_reports.looks import look, tally
from harness_reports.standings import build_standings, change_text, latest_text
from harness_reports.strips import lanes, strip, strip_text
from harness_reports.texts import day, interval_text, rate_text, share
from tests.unit.store.margins import margin
from tests.unit.store.nights import keep_nights
from tests.unit.store.samples import chip
from tests.unit.store.test_handovers import HANDED

LINKS = Links(subject=lambda subject: f"/{subject.kind}", run=lambda run: f"/runs/{run}")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"b": "PFFPE", "a": "PPPPF", "c": "E-"})
        yield opened


def marks_of(page: str) -> list[tuple[str, str, str]]:
    """Day, class and number of what did not pass, of each mark."""
    parts = r'<li class="(v-[^"]*)" title.*?class="day"[^>]*>(.*?)<.*?class="missed"[^>]*>(.*?)<'
    return [(day, look, missed) for look, day, missed in re.findall(parts, page)]


def page(store: Store, subject: Selection) -> HistoryPage:
    return build_history(subject, store.history(subject), LINKS)


def test_what_fails_now_comes_first_and_what_was_never_judged_last(store: Store) -> None:
    shown = page(store, of_chip("PK-01"))
    assert [(look(line.standing.verdict).word, names[0].text) for line, names in shown.lines] == [
        ("FAIL", "a"), ("PASS", "b"), ("NOT JUDGED", "c")]  # fmt: skip
    assert shown.headline == "3 tables of 3 designs; 5 runs, from 2026-06-01 to 2026-06-05."
    tallies = tally(line.standing.verdict for line, _ in shown.lines)
    assert [(item.look.word, item.number) for item in tallies] == [
        ("FAIL", 1), ("PASS", 1), ("NOT JUDGED", 1)]  # fmt: skip


def test_the_page_of_a_chip_says_what_its_board_wakes_up_with(store: Store) -> None:
    evil = replace(HANDED, chip_serial="PK-01", reason="<b>no</b> /home/ada/why")
    store.record_handover(evil)
    shown = page(store, of_chip("PK-01"))
    assert f"Board WB-01 {wakes_text(evil)}." in shown.remarks
    html = history_html(of_chip("PK-01"), store.history(of_chip("PK-01")), LINKS).decode()
    assert "for this reason: &lt;b&gt;no&lt;/b&gt; &lt;path&gt;" in html
    assert not [remark for remark in page(store, of_design("b")).remarks if "WB-01" in remark]


def test_a_line_has_its_dates_its_rate_and_how_sure_it_is(store: Store) -> None:
    line = page(store, of_design("b")).lines[0][0].standing
    assert (day(line.first_seen), day(line.last_seen)) == ("2026-06-01", "2026-06-05")
    assert (change_text(line), latest_text(line)) == (
        "2026-06-04, FAIL to PASS", "ERROR in its latest run")  # fmt: skip
    assert (line.rate.tested, line.untested) == (4, 1)
    assert (rate_text(line.rate), interval_text(line.rate)) == ("50.0 %", "15.0 to 85.0 %")
    never = page(store, of_design("c")).lines[0][0].standing
    assert (change_text(never), rate_text(never.rate), interval_text(never.rate)) == (
        "–",
        "–",
        "–",
    )


def test_what_was_not_tested_lately_comes_before_what_passes(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "FP", "b": "PP", "c": "PE", "d": "P ", "e": "PF", "f": "PU"})
        shown = page(opened, of_chip("PK-01"))
        text = history_html(of_chip("PK-01"), opened.history(of_chip("PK-01")), LINKS).decode()
    assert [names[0].text for _, names in shown.lines] == list("efcabd")
    rows = re.findall(r'<tr data-find="(.*?)" data-verdicts="(.*?)">', text)
    assert rows[:3] == [("e all", "fail"), ("f all", "unstable"), ("c all", "error")]
    assert "UNSTABLE is a verdict on a table: repeated with the same inputs" in text


def test_what_belongs_to_a_design_is_left_out_of_a_chips_page_which_says_so(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"good": "PP", "wrong": "ff", "late": "Pf"})
        shown = page(opened, of_chip("PK-01"))
        slot, design = page(opened, of_slot("bench", "A1")), page(opened, of_design("wrong"))
        text = history_html(of_chip("PK-01"), opened.history(of_chip("PK-01")), LINKS).decode()
    (remark,) = shown.remarks
    assert remark == (
        "3 outcomes left out: the failure belongs to the table or the design, not to this chip. "
        "The design's history has it."
    )
    assert slot.remarks[0].startswith(
        "3 outcomes left out: the failure belongs to the table or the design, not to this slot or"
    )
    assert design.remarks == ()
    rows = {names[0].text: line.standing for line, names in shown.lines}
    assert {name: (look(one.verdict).word, latest_text(one)) for name, one in rows.items()} == {
        "late": ("PASS", "1 left out"),
        "good": ("PASS", ""),
        "wrong": ("NOT JUDGED", "2 left out"),
    }
    assert "<td>1 PASS, 2 left out</td>" in text
    assert look(design.lines[0][0].standing.verdict).word == "FAIL"


def test_a_board_that_did_not_answer_last_time_has_no_latest_verdicts(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "PP-", "b": "PF-"})
        before = page(opened, of_chip("PK-01"))
        opened.record_chip("bench-2", replace(chip(), trouble="slot A1, port tty-a: no answer."))
        shown = page(opened, of_chip("PK-01"))
        keep_nights(opened, {"a": "PP"}, rack="shelf")
        again = page(opened, of_slot("shelf", "A1"))
    assert before.remarks == ("Latest run, 2026-06-03 12:00 UTC: 2 NOT RUN.",)
    assert shown.remarks == (
        "Latest run, 2026-06-03 12:00 UTC: 2 NOT RUN. Slot A1, port tty-a: no answer.",
    )
    assert shown.judged == (
        "Last verdict of each table, judged 2026-06-02 12:00 UTC at the latest:"
    )
    assert (again.remarks, again.judged) == ((), "Latest verdicts:")


def test_a_table_that_was_always_the_same_has_no_change(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "EPEP", "b": "E---"})
        first, second = (line.standing for line, _ in page(opened, of_chip("PK-01")).lines)
    assert (change_text(first), change_text(second)) == ("–", "none since 2026-06-02")


def test_a_strip_has_a_mark_of_its_own_for_each_verdict_and_says_what_it_shows() -> None:
    every = (*SEVERITY_ORDER, None, Verdict.FAIL)
    drawn = strip(every)
    paths = dict(re.findall(r'<path class="s-(.*?)" d="(.*?)"/>', drawn))
    assert list(paths) == ["fail", "unstable", "error", "not-run", "waived", "pass"]
    assert re.findall(r"M([\d.]+)", paths["fail"]) == ["3.5", "52.5"], "the first and the eighth"
    assert len({path.split("M")[1].lstrip("0123456789.") for path in paths.values()}) == 6
    words = "2 FAIL, 1 UNSTABLE, 1 ERROR, 1 NOT RUN, 1 WAIVED, 1 PASS, not part of 1; latest FAIL"
    assert strip_text(every) == words
    assert f'role="img" aria-label="{words}"' in drawn


def test_the_list_of_histories_has_a_row_for_each_with_what_needs_a_look_first(
    tmp_path: Path,
) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "PP", "b": "FP", "c": "PF"})
        opened.record_margin(margin(0, 1000.0))
        shown = build_standings(opened.standings(), LINKS)
        text = subjects_html(opened.standings(), LINKS).decode()
    rows = {title: [anchor.text for anchor, _ in rows] for title, rows in shown.groups.items()}
    assert rows == {
        "Chips": ["PK-01", "SP2-0001"],
        "Designs": ["c", "b", "a", "crc16"],
        "Slots of bench": ["A1"],
    }
    assert shown.headline == "2 chips, 4 designs, 1 slot of bench."
    assert "1 FAIL, 1 PASS; latest FAIL" in text
    assert '<th scope="row" class="name"><a href="/chip">SP2-0001</a></th>' in text
    assert "no runs, only margin searches" in text
    assert f'content="{history_policy()}"' in text


def test_a_rack_has_a_lane_for_each_verdict_on_its_own_scale_and_a_table(store: Store) -> None:
    (rack,) = store.standings().racks
    drawn = lanes(rack.rack, rack.runs)
    assert [(lane.look.word, lane.latest, lane.most) for lane in drawn.lanes] == [
        ("FAIL", 1, 1), ("ERROR", 1, 1), ("NOT RUN", 0, 1), ("PASS", 0, 2)]  # fmt: skip
    assert drawn.lanes[2].bars.count("M") == 1, "a run without it has no bar"
    text = subjects_html(store.standings(), LINKS).decode()
    counts = '<tr><th scope="row" class="moment">2026-06-01 12:00</th>'
    assert counts + "".join(f'<td class="n">{n}</td>' for n in (0, 1, 0, 2)) in text


def test_every_night_has_a_mark_with_a_text_of_its_own(store: Store) -> None:
    subject = of_slot("bench", "A1")
    ((month, _),) = page(store, subject).months
    text = history_html(subject, store.history(subject), LINKS).decode()
    assert month == "2026-06"
    assert marks_of(text) == [
        ("01", "v-error", "1"), ("02", "v-fail", "2"), ("03", "v-fail", "1"), ("04", "v-pass", ""),
        ("05", "v-fail", "2")]  # fmt: skip
    assert 'title="2026-06-02 12:00: 1 FAIL, 1 NOT RUN, 1 PASS"' in text


def test_an_intake_is_marked_and_counted_apart_from_runs(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "PFPP"}, kinds=" ii")
        shown = page(opened, of_chip("PK-01"))
        text = history_html(of_chip("PK-01"), opened.history(of_chip("PK-01")), LINKS).decode()
    assert shown.headline == (
        "1 table of 1 design; 2 runs and 2 intakes, from 2026-06-01 to 2026-06-04."
    )
    ((_, nights),) = shown.months
    assert [night.kind.value for night in nights] == ["run", "intake", "intake", "run"]
    assert 'title="2026-06-02 12:00 (intake): 1 FAIL"' in text
    assert re.findall(r"<td>(Run|Intake)</td>", text) == ["Run", "Intake", "Intake", "Run"]
    assert text.count('intake" title="') == 2
    assert "A dashed frame marks an intake." in text


def test_a_chip_that_had_its_intake_and_no_night_has_its_tables(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "P"}, kinds="i")
        shown = page(opened, of_chip("PK-01"))
    assert shown.headline == "1 table of 1 design; 1 intake, on 2026-06-01."
    assert [look(line.standing.verdict).word for line, _ in shown.lines] == ["PASS"]


def test_a_page_without_intakes_speaks_of_none(store: Store) -> None:
    text = history_html(of_chip("PK-01"), store.history(of_chip("PK-01")), LINKS).decode()
    assert "dashed" not in text.split("</style>")[-1]
    assert "and intakes" not in text


def test_names_link_to_the_histories_of_what_they_name(store: Store) -> None:
    _, names = page(store, of_slot("bench", "A1")).lines[0]
    assert [anchor.address for anchor in names] == ["/chip", "/design", ""]
    subject = of_chip("PK-01")
    text = history_html(subject, store.history(subject), LINKS).decode()
    assert re.findall(r'href="(/runs/[^"]*)"', text)[:2] == ["/runs/bench-4", "/runs/bench-3"]


@given(st.integers(1, 10**6), st.integers(0, 10**6))
def test_only_a_whole_is_a_hundred_per_cent(tested: int, missed: int) -> None:
    part = max(0, tested - missed) / tested
    assert (share(part) == "100") is (missed == 0)
    assert (share(part) == "0") is (missed >= tested)


def test_written_pages_link_only_to_each_other(store: Store, tmp_path: Path) -> None:
    subjects = store.subjects()
    written = write_histories(store, subjects, tmp_path / "out")
    assert written.index is not None
    assert {path.name for path in written.pages} == {
        "chip-PK-01.html", "design-a.html", "design-b.html", "design-c.html", "slot-bench-A1.html",
    }  # fmt: skip
    for path in (*written.pages, written.index):
        for link in re.findall(r'href="([^"#][^"]*)"', path.read_text("utf-8")):
            assert link == "data:," or (path.parent / link).exists()


def test_one_page_alone_has_no_index_and_no_links(store: Store, tmp_path: Path) -> None:
    only = [of_design("a")]
    written = write_histories(store, only, tmp_path / "out")
    assert written.index is None
    assert re.findall(r'<a href="([^#][^"]*)"', written.pages[0].read_text("utf-8")) == []


def test_the_page_carries_the_policy_that_it_is_served_with(store: Store) -> None:
    subject = of_chip("PK-01")
    text = history_html(subject, store.history(subject), LINKS).decode()
    assert f'content="{history_policy()}"' in text

"""History pages: what stands on them, and as files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.store import Selection, Store, of_chip, of_design, of_slot
from harness_reports import Links, history_html, history_policy, write_histories
from harness_reports.history import HistoryPage, build_history
from harness_reports.looks import look, tally
from harness_reports.texts import day, interval_text, rate_text, share
from tests.unit.store.nights import keep_nights

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
    assert [(look(line.verdict).word, names[0].text) for line, names in shown.lines] == [
        ("FAIL", "a"), ("PASS", "b"), ("NOT JUDGED", "c")]  # fmt: skip
    assert shown.headline == "3 tables of 3 designs; 5 runs, from 2026-06-01 to 2026-06-05."
    tallies = tally(line.verdict for line, _ in shown.lines)
    assert [(item.look.word, item.number) for item in tallies] == [
        ("FAIL", 1), ("PASS", 1), ("NOT JUDGED", 1)]  # fmt: skip


def test_a_line_has_its_dates_its_rate_and_how_sure_it_is(store: Store) -> None:
    line, _ = page(store, of_design("b")).lines[0]
    assert (day(line.first_seen), day(line.last_seen), day(line.last_changed)) == (
        "2026-06-01", "2026-06-05", "2026-06-04")  # fmt: skip
    assert (line.rate.tested, line.untested) == (4, 1)
    assert (rate_text(line.rate), interval_text(line.rate)) == ("50.0 %", "15.0 to 85.0 %")
    never, _ = page(store, of_design("c")).lines[0]
    assert (day(never.last_changed), rate_text(never.rate), interval_text(never.rate)) == (
        "–",
        "–",
        "–",
    )


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
    assert [look(line.verdict).word for line, _ in shown.lines] == ["PASS"]


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
    written = write_histories(subjects, store.history, tmp_path / "out")
    assert written.index is not None
    assert {path.name for path in written.pages} == {
        "chip-PK-01.html", "design-a.html", "design-b.html", "design-c.html", "slot-bench-A1.html",
    }  # fmt: skip
    for path in (*written.pages, written.index):
        for link in re.findall(r'href="([^"#][^"]*)"', path.read_text("utf-8")):
            assert link == "data:," or (path.parent / link).exists()


def test_one_page_alone_has_no_index_and_no_links(store: Store, tmp_path: Path) -> None:
    only = [of_design("a")]
    written = write_histories(only, store.history, tmp_path / "out")
    assert written.index is None
    assert re.findall(r'<a href="([^#][^"]*)"', written.pages[0].read_text("utf-8")) == []


def test_the_page_carries_the_policy_that_it_is_served_with(store: Store) -> None:
    subject = of_chip("PK-01")
    text = history_html(subject, store.history(subject), LINKS).decode()
    assert f'content="{history_policy()}"' in text

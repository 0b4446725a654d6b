"""History pages: what stands on them, and as files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.store import Store, of_chip
from harness_reports import (
    ChipSubject,
    DesignSubject,
    Links,
    SlotSubject,
    all_subjects,
    history_html,
    history_policy,
    selection,
    write_histories,
)
from harness_reports.history import HistoryPage, Subject, build_history
from harness_reports.texts import share
from tests.unit.store.nights import keep_nights

LINKS = Links(subject=lambda subject: f"/{type(subject).__name__}", run=lambda run: f"/runs/{run}")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"b": "PFFPE", "a": "PPPPF", "c": "E-"})
        yield opened


def page(store: Store, subject: Subject) -> HistoryPage:
    return build_history(subject, store.history(selection(subject)), LINKS)


def test_what_fails_now_comes_first_and_what_was_never_judged_last(store: Store) -> None:
    shown = page(store, ChipSubject("PK-01"))
    assert [(line.look.word, line.names[0].text) for line in shown.lines] == [
        ("FAIL", "a"), ("PASS", "b"), ("NOT JUDGED", "c")]  # fmt: skip
    assert shown.headline == "3 tables of 3 designs; 5 nights, from 2026-06-01 to 2026-06-05."
    assert [(item.look.word, item.number) for item in shown.tallies] == [
        ("FAIL", 1), ("PASS", 1), ("NOT JUDGED", 1)]  # fmt: skip


def test_a_line_has_its_dates_its_rate_and_how_sure_it_is(store: Store) -> None:
    line = page(store, DesignSubject("b")).lines[0]
    assert (line.first_seen, line.last_seen, line.last_changed) == (
        "2026-06-01", "2026-06-05", "2026-06-04")  # fmt: skip
    assert (line.judged, line.rate, line.sure, line.untested) == (4, "50.0 %", "15.0 to 85.0 %", 1)
    never = page(store, DesignSubject("c")).lines[0]
    assert (never.last_changed, never.rate, never.sure) == ("–", "–", "–")


def test_every_night_has_a_mark_with_a_text_of_its_own(store: Store) -> None:
    (month,) = page(store, SlotSubject("bench", "A1")).months
    assert month.name == "2026-06"
    assert [(mark.day, mark.look.word, mark.missed) for mark in month.nights] == [
        ("01", "ERROR", "1"), ("02", "FAIL", "2"), ("03", "FAIL", "1"), ("04", "PASS", ""),
        ("05", "FAIL", "2")]  # fmt: skip
    assert month.nights[1].told == "2026-06-02 12:00: 1 FAIL, 1 NOT RUN, 1 PASS"


def test_an_intake_is_marked_and_is_not_counted_as_a_night(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "PFPP"}, kinds=" ii")
        shown = page(opened, ChipSubject("PK-01"))
        text = history_html(ChipSubject("PK-01"), opened.history(of_chip("PK-01")), LINKS).decode()
    assert shown.headline == (
        "1 table of 1 design; 2 nights and 2 intakes, from 2026-06-01 to 2026-06-04."
    )
    (month,) = shown.months
    assert [mark.kind.value for mark in month.nights] == ["run", "intake", "intake", "run"]
    assert month.nights[1].told == "2026-06-02 12:00, an intake: 1 FAIL"
    assert [line.what for line in shown.latest] == ["Night", "Intake", "Intake", "Night"]
    assert text.count('intake" title="') == 2
    assert "A dashed frame marks an intake, which is no night." in text


def test_a_chip_that_had_its_intake_and_no_night_has_its_tables(tmp_path: Path) -> None:
    with Store(tmp_path / "s.sqlite") as opened:
        keep_nights(opened, {"a": "P"}, kinds="i")
        shown = page(opened, ChipSubject("PK-01"))
    assert shown.headline == "1 table of 1 design; 1 intake, on 2026-06-01."
    assert [line.look.word for line in shown.lines] == ["PASS"]


def test_a_page_without_intakes_speaks_of_none(store: Store) -> None:
    text = history_html(ChipSubject("PK-01"), store.history(of_chip("PK-01")), LINKS).decode()
    assert "dashed" not in text.split("</style>")[-1]
    assert "and intakes" not in text


def test_names_link_to_the_histories_of_what_they_name(store: Store) -> None:
    names = page(store, SlotSubject("bench", "A1")).lines[0].names
    assert [anchor.address for anchor in names] == ["/ChipSubject", "/DesignSubject", ""]
    latest = page(store, ChipSubject("PK-01")).latest
    assert [night.run.address for night in latest][:2] == ["/runs/bench-4", "/runs/bench-3"]


@given(st.integers(1, 10**6), st.integers(0, 10**6))
def test_only_a_whole_is_a_hundred_per_cent(tested: int, missed: int) -> None:
    part = max(0, tested - missed) / tested
    assert (share(part) == "100") is (missed == 0)
    assert (share(part) == "0") is (missed >= tested)


def test_written_pages_link_only_to_each_other(store: Store, tmp_path: Path) -> None:
    subjects = all_subjects(store.subjects())
    written = write_histories(subjects, lambda s: store.history(selection(s)), tmp_path / "out")
    assert written.index is not None
    assert {path.name for path in written.pages} == {
        "chip-PK-01.html", "design-a.html", "design-b.html", "design-c.html", "slot-bench-A1.html",
    }  # fmt: skip
    for path in (*written.pages, written.index):
        for link in re.findall(r'href="([^"#][^"]*)"', path.read_text("utf-8")):
            assert link == "data:," or (path.parent / link).exists()


def test_one_page_alone_has_no_index_and_no_links(store: Store, tmp_path: Path) -> None:
    only = [DesignSubject("a")]
    written = write_histories(only, lambda s: store.history(selection(s)), tmp_path / "out")
    assert written.index is None
    assert re.findall(r'<a href="([^#][^"]*)"', written.pages[0].read_text("utf-8")) == []


def test_the_page_carries_the_policy_that_it_is_served_with(store: Store) -> None:
    subject = ChipSubject("PK-01")
    text = history_html(subject, store.history(selection(subject)), LINKS).decode()
    assert f'content="{history_policy()}"' in text

"""Margins on pages and in files: what is said of each kind, and what an alarm looks like."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from harness.records import MarginKind, MarginRecord
from harness.store import Store, of_chip, of_design, of_slot
from harness_reports import (
    Beyond,
    Links,
    history_html,
    margins_frame,
    margins_of,
    write_margins,
    write_run,
)
from harness_reports.history import SubjectMargins
from harness_reports.html import chip_html, index_html
from harness_reports.margin_history import build_margins
from harness_reports.margin_view import MarginView, margin_views
from harness_reports.margin_write import margins_html
from harness_reports.run_json import parse_run_json, run_json
from tests.unit.reports.margin_samples import broken, nights, search, shmoo
from tests.unit.reports.run_schema import run_schema
from tests.unit.reports.samples import HOSTILE, sample_run

LINKS = Links()


def view(margin: MarginRecord, earlier: tuple[MarginRecord, ...] = ()) -> MarginView:
    return margin_views([margin], earlier)[0]


def test_a_search_is_told_in_one_sentence_and_its_badge_is_the_margin() -> None:
    shown = view(search())
    assert shown.look.word == "+25.0 %"
    assert shown.summary == (
        "Passes up to 12.5 kHz, 25.0 % above the declared clock of 10 kHz; fails at 12.8 kHz."
    )


@pytest.mark.parametrize(
    ("changes", "word", "told"),
    [
        (
            {"declared_hz": 2.5e4},
            "-50.0 %",
            "Passes up to 12.5 kHz, 50.0 % below the declared clock of 25 kHz; fails at 12.8 kHz.",
        ),
        (
            {"edges": (replace(search().edges[0], failing_hz=None),)},
            "at least +25.0 %",
            (
                "Passes up to 12.5 kHz, the fastest rate available here: at least 25.0 % above the "
                "declared clock of 10 kHz."
            ),
        ),
        (
            {"edges": (replace(search().edges[0], highest_hz=None),)},
            "NO RATE PASSES",
            "No rate passes, down to 1 kHz; the declared clock is 10 kHz.",
        ),
    ],
)  # fmt: skip
def test_other_ends_of_a_search(changes: dict[str, object], word: str, told: str) -> None:
    shown = view(replace(search(), **changes))  # type: ignore[arg-type]
    assert (shown.look.word, shown.summary) == (word, told)


def test_a_search_that_broke_off_is_no_verdict_and_says_what_to_do() -> None:
    shown = view(broken())
    assert shown.look == replace(shown.look, word="INCOMPLETE", shape="error")
    assert shown.summary.startswith("The search is incomplete: /dev/ttyACM1: the board went away")
    assert shown.advice == (
        "This says nothing about the chip. Fix the cause, then measure again."
    )  # fmt: skip


def test_a_loss_of_margin_is_an_alarm_with_what_it_was_and_how_noisy() -> None:
    found = nights()
    shown = view(found[10], found[:10])
    assert (shown.look.word, shown.look.shape) == ("+8.6 %, DROPPED", "fail")
    assert shown.summary.endswith(
        " Dropped by more than noise: up to 10.8575 kHz, was 12.5 kHz (noise 500 Hz)."
    )
    assert "more than noise" in shown.summary
    assert view(found[9], found[:9]).look.word == "+25.0 %"


def test_every_point_is_listed_with_its_interval_of_wilson() -> None:
    """16 of 16: the interval's lower end is n / (n + z²) = 80.6 % (Wilson 1927)."""
    page = margins_html([search()]).decode()
    rows = re.findall(r'<tr><th scope="row" class="n">.*</tr>', page)
    told = [" ".join(re.sub(r"<[^>]*>", " ", row).split()) for row in rows]
    assert len(told) == 10
    assert told[0] == "1 1 kHz passes 16 of 16 80.6 to 100 %"
    assert "passes" in told[-2]
    assert "mixed" in told[-1]


def test_a_shmoo_tells_its_slowest_and_fastest_row_and_marks_the_nominal_voltage() -> None:
    shown = view(shmoo())
    assert shown.look.word == "CLOCK REACHED"
    assert "at 2.70 V and up to" in shown.summary
    assert "m-declared" in shown.plot
    assert "m-usual" in shown.plot
    assert view(shmoo(declared_hz=1.2e4)).look.word.startswith("CLOCK REACHED IN ")


def test_a_shmoo_of_sample_points_says_which() -> None:
    points = tuple(replace(one, volts=None, sample_ns=40) for one in search().points)
    edges = (replace(search().edges[0], sample_ns=40),)
    page = margins_html([search(kind=MarginKind.SAMPLE, points=points, edges=edges)]).decode()
    assert page.count('<td class="n">40 ns</td>') == len(points)


def test_a_chips_page_shows_the_margins_of_its_own_run_only() -> None:
    run = sample_run()
    own = replace(search(night=3), run_id=run.run_id)
    around = Beyond(margins=[search(), own])
    page = chip_html(run, run.chips[0], around).decode()
    assert page.count("Search of the clock rate</p>") == 1
    assert "Search of the clock rate" not in chip_html(run, run.chips[1], around).decode()
    assert "20260309-140530-0003" in page


def test_a_runs_page_lists_margins_and_alarms() -> None:
    run = sample_run()
    found = nights(11)
    found = (*found[:10], replace(found[10], run_id=run.run_id))
    page = index_html(run.overview, Beyond(margins=found)).decode()
    assert "+8.6 %, DROPPED" in page
    assert 'id="margins"' not in index_html(run.overview).decode()


def test_what_lost_margin_comes_first_in_a_history_and_few_plots_are_drawn() -> None:
    many = [
        replace(one, design=f"d{n:02}", margin_id=f"{one.margin_id}-{n}")
        for n in range(20)
        for one in (nights() if n == 13 else nights(3))
    ]
    found = build_margins(many)
    assert [line.last.design for line in found.lines[:2]] == ["d13", "d00"]
    assert found.lines[0].drop
    assert not found.lines[1].drop
    assert len(found.lines) == 20
    assert len(found.trends) == len(found.views) == 6
    assert found.trends[0].summary.endswith("Dropped by more than noise on 2026-03-19, 2026-03-20.")


def test_a_chip_that_was_only_searched_has_a_history_too(tmp_path: Path) -> None:
    with Store(str(tmp_path / "store.sqlite")) as store:
        for margin in nights(2):
            store.record_margin(margin)
        subjects = store.subjects()
        assert subjects == (of_chip("SP2-0001"), of_design("crc16"))
        found = SubjectMargins(nights(2))
        assert margins_of(store, subjects[0]) == margins_of(store, subjects[1]) == found
        assert margins_of(store, of_slot("Demo rack", "A1")) == SubjectMargins()
        history = store.history(subjects[0])
    page = history_html(subjects[0], history, LINKS, found).decode()
    assert "This store has no runs of it, only margin searches." in page
    assert "2 searches: from +25.0 % to +26.2 %" in page


def test_hostile_text_is_escaped_and_host_paths_are_taken_out(tmp_path: Path) -> None:
    hostile = search(chip_serial=HOSTILE, design=HOSTILE, table=HOSTILE, board_serial=HOSTILE)
    trouble = replace(broken(), trouble=f"{HOSTILE} /home/somebody/secret.toml")
    written = write_margins([hostile, trouble], tmp_path)
    page = written.read_text("utf-8")
    assert "<script" not in page
    assert "/home/somebody" not in page
    assert "<script" not in margins_html([hostile, shmoo(design=HOSTILE)]).decode()


def test_run_json_has_the_margins_of_its_run_and_fits_its_schema() -> None:
    run = sample_run()
    own = [replace(one, run_id=run.run_id) for one in (search(), shmoo(), broken())]
    text = run_json(run, [*own, search(night=1)])
    whole = json.loads(text)
    assert [one["margin_id"] for one in whole["margins"]] == [one.margin_id for one in own]
    jsonschema.validate(whole, run_schema(), jsonschema.Draft202012Validator)
    assert parse_run_json(text) == run
    assert "margins" not in json.loads(run_json(run))


def test_write_run_puts_margins_where_they_belong(tmp_path: Path) -> None:
    run = sample_run()
    own = replace(search(), run_id=run.run_id)
    written = write_run(run, tmp_path, Beyond(margins=[own]))
    assert own.margin_id in written.chips[0].html.read_text("utf-8")
    assert json.loads(written.json.read_text())["margins"]


def test_a_frame_has_one_row_for_each_limit() -> None:
    frame = margins_frame([search(), shmoo(), broken()])
    assert len(frame) == 1 + len(shmoo().edges)
    assert frame["percent"][0] == pytest.approx(25.0)
    assert math.isnan(frame["volts"][0])
    assert frame["volts"][1] == 2.7
    assert str(frame["measured"].dtype) == "datetime64[us, UTC]"
    assert len(margins_frame([])) == 0

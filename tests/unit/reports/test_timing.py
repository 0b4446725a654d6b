"""The timing drawing: its geometry, its words, and what it leaves out."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from lxml import etree

from harness.records import Wave, Window
from harness_reports.timing import MAX_STRIP_CYCLES, MAX_STRIPS, draw
from tests.unit.reports.samples import HOSTILE, poisoned, window

SVG = "{http://www.w3.org/2000/svg}"


def _trees(shown: Window) -> list[Any]:
    strips = draw(shown, "d / t", "k", {}).strips
    wrapped = [
        str(s).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1) for s in strips
    ]
    return [etree.fromstring(text) for text in wrapped]


def _texts(tree: Any, kind: str) -> list[str]:
    return [e.text for e in tree.iter(f"{SVG}text") if kind in e.get("class").split()]


def _paths(tree: Any, kind: str) -> list[str]:
    return [e.get("d") for e in tree.iter(f"{SVG}path") if e.get("class") == kind]


def _plain(driven: str, observed: str, expected: str) -> Window:
    cells = range(len(driven))
    wave = Wave("p", "s", driven, observed, expected)
    return Window(tuple(cells), tuple(cells), ("",) * len(cells), (wave,))


def test_a_mismatch_is_told_in_words_and_by_a_box() -> None:
    (tree,) = _trees(window())
    assert _texts(tree, "t-word") == ["1≠0"] * 4
    assert len(_paths(tree, "t-box")) == 4
    assert _texts(tree, "t-first") == ["first mismatch"]
    description = tree.find(f"{SVG}desc").text
    assert description == "First mismatch in cycle 20: out2 (q[2]) expected 1, observed 0."


def test_what_was_wrong_in_another_run_only_has_a_broken_box_and_marks_the_first_mismatch() -> None:
    right = window(wrong_at=99)
    (strip,) = draw(right, "d / t", "k", {(11, "out1"): "1 of 3", (14, "out2"): "wrong"}).strips
    tree = etree.fromstring(str(strip).replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1))
    assert _texts(tree, "t-few") == ["1 of 3", "wrong"]
    assert len(_paths(tree, "t-other")) == 2
    assert _paths(tree, "t-box") == []
    assert tree.find(f"{SVG}desc").text == (
        "First mismatch in cycle 11: out1 (q[1]) wrong in another run (1 of 3)."
    )


def test_the_marked_column_is_that_of_the_first_wrong_cycle() -> None:
    (tree,) = _trees(window())
    (frame,) = _paths(tree, "t-frame")
    left = int(re.match(r"M(\d+)", frame).group(1))  # type: ignore[union-attr]
    cycle = next(
        e.text for e in tree.iter(f"{SVG}text")
        if e.get("class") == "t-num" and int(e.get("x")) == left + 20
    )  # fmt: skip
    assert cycle == "20"


def test_levels_edges_pulses_and_floats_have_their_paths() -> None:
    (tree,) = _trees(_plain("01CK..", "....1Z", "....HZ"))
    (driven,) = _paths(tree, "t-driven")
    high, low = 34 + 15 - 9, 34 + 15 + 9
    assert driven == (
        f"M112 {low}H122H142H152V{high}H162H182H192V{low}H202V{high}H222V{low}H232"
        f"V{high}H242V{low}H262V{high}H272"
    )
    assert _paths(tree, "t-seen") == [f"M272 {high}H282H302H312"]
    assert _paths(tree, "t-want") == [f"M274 {high}h36M314 49h36"]
    assert _paths(tree, "t-float") == ["M312 49h40"]


def test_pins_at_rest_are_named_instead_of_drawn() -> None:
    drawing = draw(window(), "d / t", "k", {})
    assert drawing.note == (
        "Held throughout: in4 (load_n) at 1, nreset (rst_n) at 1. 1 pin neither driven nor tested."
    )
    (tree,) = _trees(window())
    assert "load_n" not in _texts(tree, "t-end")


def test_lines_and_labels_stand_where_they_change() -> None:
    (tree,) = _trees(window())
    assert _texts(tree, "t-lab") == ["count up", "hold, then wrap to zero"]
    assert _texts(tree, "t-num")[17:] == ["12", "13", "14", "15", "16", "17"]


def test_neighbouring_labels_take_two_lines_in_turn() -> None:
    shown = _plain("0101", "....", "....")
    labels = ("low byte", "high byte", "", "remainder")
    (tree,) = _trees(replace(shown, labels=labels))
    placed = [
        (e.text, e.get("x"), e.get("y"))
        for e in tree.iter(f"{SVG}text")
        if e.get("class") == "t-lab"
    ]
    assert placed == [
        ("low byte", "115", "93"),
        ("high byte", "155", "105"),
        ("remai…", "235", "93"),
    ]


def test_a_long_window_is_cut_around_the_mismatch_into_even_strips() -> None:
    drawing = draw(window(200, 120), "d / t", "k", {})
    assert len(drawing.strips) == MAX_STRIPS
    assert f"{MAX_STRIP_CYCLES * MAX_STRIPS} of the 200 cycles kept are drawn" in drawing.note
    marked = [">first mismatch<" in strip for strip in drawing.strips]
    assert marked == [True, False]
    widths = {tree.get("width") for tree in _trees(window(20, 3))}
    assert len(widths) == 1


def test_a_window_in_which_nothing_moves_has_no_drawing() -> None:
    assert draw(_plain("000", "...", "..."), "d / t", "k", {}).strips == ()
    assert draw(Window((), (), (), ()), "d / t", "k", {}).strips == ()


def test_hostile_names_stay_text() -> None:
    drawing = draw(poisoned(window()), f"d{HOSTILE}", "k", {})
    (strip,) = drawing.strips
    assert "<script" not in strip
    assert "&lt;script&gt;" in strip
    assert "\x00" not in strip

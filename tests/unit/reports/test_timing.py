"""The timing drawing: its geometry, its words, and what it leaves out."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from lxml import etree

from harness.records import Wave, Window
from harness_reports.timing import AROUND, FAR, NEAR, Drawing, View, draw, draw_whole
from harness_reports.timing_rows import Elsewhere, hexadecimal
from tests.unit.reports.samples import HOSTILE, poisoned, window

SVG = "{http://www.w3.org/2000/svg}"


def _drawn(shown: Window, elsewhere: Elsewhere | None = None, view: View = NEAR) -> Drawing:
    (drawing,) = draw(shown, "d / t", "k", elsewhere or {}, [view])
    return drawing


def _trees(shown: Window, elsewhere: Elsewhere | None = None, view: View = NEAR) -> list[Any]:
    strips = _drawn(shown, elsewhere, view).strips
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
    assert _texts(tree, "t-word") == ["≠0", "≠1", "≠2", "≠3", *["1≠0"] * 4]
    of_bus, of_bit = _paths(tree, "t-box")
    assert (of_bus.count("M"), of_bit.count("M")) == (4, 4)
    assert _texts(tree, "t-first") == ["first mismatch"]
    description = tree.find(f"{SVG}desc").text
    assert description == "First mismatch in cycle 20: out2 (q[2]) expected 1, observed 0."


def test_what_was_wrong_in_another_run_only_has_a_broken_box_and_marks_the_first_mismatch() -> None:
    right = window(wrong_at=99)
    (tree,) = _trees(right, {(11, "out1"): "1 of 3", (14, "out2"): "wrong"})
    assert _texts(tree, "t-few") == ["wrong", "1 of 3"]  # out2 is drawn above out1
    assert "".join(_paths(tree, "t-other")).count("M") == 2 + 2  # of the bus, and of the bits
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
        f"M112 {low}H152V{high}H192V{low}H202V{high}H222V{low}H232V{high}H242V{low}H262V{high}H272"
    )
    assert _paths(tree, "t-seen") == [f"M272 {high}H312"]
    assert _paths(tree, "t-want") == [f"M274 {high}h36M314 49h36"]
    assert _paths(tree, "t-float") == ["M312 49h40"]


def test_pins_at_rest_are_named_instead_of_drawn() -> None:
    drawing = _drawn(window())
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


def test_a_bus_has_its_values_as_segments_and_only_its_wrong_bits_have_rows() -> None:
    (tree,) = _trees(window())
    values = _texts(tree, "t-val")
    assert values == list("9ABCDEF0123456789") + list("9ABCDEF0123") + list("89")
    assert _texts(tree, "t-strong") == ["q[3:0]", "q[2]"]
    assert "q[0]" not in _texts(tree, "t-end")


def test_equal_neighbours_are_one_segment_and_a_bus_that_is_right_has_one_lane() -> None:
    waves = tuple(
        Wave(f"out{bit}", f"d[{bit}]", "......", levels, levels.translate({48: "L", 49: "H"}))
        for bit, levels in enumerate(("111100", "001111"))
    )
    (tree,) = _trees(Window(tuple(range(6)), tuple(range(6)), ("",) * 6, waves))
    assert _texts(tree, "t-val") == ["1", "3", "2"]
    assert _paths(tree, "t-wish") == [
        "M112 47l3-8h74l3 8-3 8h-74zM192 47l3-8h74l3 8-3 8h-74zM272 47l3-8h74l3 8-3 8h-74z"
    ]
    assert _texts(tree, "t-cap") == ["cycle", "table line"]


def test_an_input_bus_is_framed_and_its_held_value_is_said_instead() -> None:
    moving = tuple(
        Wave(f"in{bit}", f"a[{bit}]", "0" * bit + "1111"[bit:], "....", "....") for bit in (0, 1)
    )
    held = tuple(Wave(f"in{bit}", f"b[{bit}]", "1111", "....", "....") for bit in (2, 3))
    shown = Window(
        (0, 1, 2, 3),
        (2, 3, 4, 5),
        ("",) * 4,
        tuple(
            replace(w, signal=w.signal.replace("2", "0").replace("3", "1"))
            for w in (*moving, *held)
        ),
    )
    (tree,) = _trees(shown)
    assert _texts(tree, "t-val") == ["1", "3"]
    assert len(_paths(tree, "t-put")) == 1
    assert _drawn(shown).note == "Held throughout: b[1:0] at 0x3."


def test_a_value_without_room_is_left_out_but_a_wrong_one_still_says_so() -> None:
    waves = tuple(
        Wave(f"out{bit}", f"w[{bit}]", "." * 40, "01" * 20, "HL" * 20) for bit in range(12)
    )
    shown = Window(tuple(range(40)), tuple(range(40)), ("",) * 40, waves)
    (tree,) = _trees(shown, view=AROUND)
    assert _texts(tree, "t-val") == []
    assert _texts(tree, "t-word") == ["≠"] * 40


def test_digits_of_a_bus_say_what_is_unknown_or_floats() -> None:
    words = [
        hexadecimal(levels) for levels in ("11010", "xxxx", "zzzz0001", "1x00", "z001", "xz11")
    ]
    assert words == ["1A", "x", "z1", "X", "Z", "X"]


def test_three_steps_from_the_first_mismatch_and_none_twice() -> None:
    def titles(cycles: int, wrong_at: int) -> list[str]:
        views = (NEAR, AROUND, FAR)
        return [one.title for one in draw(window(cycles, wrong_at, 0), "d / t", "k", {}, views)]

    assert titles(2000, 1008) == [
        "cycles 1,004 to 1,020",
        "cycles 980 to 1,044",
        "cycles 980 to 1,159",
    ]
    assert titles(17, 4) == ["cycles 0 to 16"]
    assert titles(40, 12) == ["cycles 4 to 20", "cycles 0 to 39"]


def test_a_long_window_is_cut_around_the_mismatch_into_even_strips() -> None:
    drawing = _drawn(window(200, 120), view=AROUND)
    assert drawing.note.endswith("65 of the 200 cycles that were read back are drawn.")
    marked = [">first mismatch<" in strip for strip in drawing.strips]
    assert marked == [True, False]
    widths = {tree.get("width") for tree in _trees(window(40, 3), view=FAR)}
    assert len(widths) == 1


def test_a_window_in_which_nothing_moves_has_no_drawing() -> None:
    assert draw(_plain("000", "...", "..."), "d / t", "k", {}) == ()
    assert draw(Window((), (), (), ()), "d / t", "k", {}) == ()
    assert draw_whole(_plain("000", "...", "..."), "d / t", "k").strips == ()


def test_hostile_names_stay_text() -> None:
    (strip,) = draw(poisoned(window()), f"d{HOSTILE}", "k", {})[0].strips
    assert "<script" not in strip
    assert "&lt;script&gt;" in strip
    assert "\x00" not in strip

"""Plots: every point is a shape at its place, both axes have names and units, text is text."""

from __future__ import annotations

from lxml import etree

from harness_reports.plot import Label, Level, Mark, search_plot, trend_plot
from tests.unit.reports.samples import HOSTILE

LABEL = Label("Search of crc16", "It passes to 12.5 kHz.", "m1", "try", "clock rate")
SVG = "{http://www.w3.org/2000/svg}"


def tree(markup: str) -> etree._Element:
    """The plot as XML; the name space is the browser's own inside HTML."""
    return etree.fromstring(
        str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    )


def texts(markup: str) -> list[str]:
    return [element.text or "" for element in tree(markup).iter(f"{SVG}text")]


def shapes(markup: str) -> list[tuple[str, float, float]]:
    return [
        (use.get("href", ""), float(use.get("x", "nan")), float(use.get("y", "nan")))
        for use in tree(markup).iter(f"{SVG}use")
    ]


def search() -> str:
    tries = [(1e3, "pass"), (1e5, "fail"), (1.3e4, "unstable"), (1.25e4, "pass")]
    marks = [Mark(n + 1, rate, shape) for n, (rate, shape) in enumerate(tries)]
    levels = [Level(1e4, "declared 10 kHz", "m-declared"), Level(1.25e4, "limit", "m-found")]
    return search_plot(marks, levels, LABEL)


def test_a_search_shows_each_try_in_its_order_and_faster_is_higher() -> None:
    found = shapes(search())
    assert [href for href, _, _ in found] == [
        "#shape-pass", "#shape-fail", "#shape-unstable", "#shape-pass",
    ]  # fmt: skip
    across = [x for _, x, _ in found]
    assert across == sorted(across)
    heights = [y for _, _, y in found]
    assert sorted(range(4), key=lambda n: -heights[n]) == [0, 3, 2, 1]


def test_both_axes_have_names_and_units_and_the_declared_clock_its_words() -> None:
    words = texts(search())
    assert {"try", "clock rate", "declared 10 kHz", "1 kHz", "100 kHz", "4"} <= set(words)


def test_words_at_the_same_height_do_not_lie_on_each_other() -> None:
    levels = [Level(1e4, "one", "m-declared"), Level(1.0001e4, "two", "m-found")]
    plot = tree(search_plot([Mark(1, 1e4, "pass")], levels, LABEL))
    heights = [
        float(t.get("y", "nan")) for t in plot.iter(f"{SVG}text") if t.text in {"one", "two"}
    ]
    assert abs(heights[0] - heights[1]) >= 14


def test_a_trend_shows_a_mark_and_an_interval_for_each_night() -> None:
    marks = [Mark(0, 20.0, "pass"), Mark(1, 5.0, "fail")]
    days = ["2026-06-01", "2026-06-02"]
    plot = trend_plot(days, marks, [(18.0, 22.0), (4.0, 6.0)], LABEL)
    assert len(shapes(plot)) == 2
    assert {*days, "0 %", "20 %"} <= set(texts(plot))
    bars = next(p for p in tree(plot).iter(f"{SVG}path") if p.get("class") == "m-bar")
    assert bars.get("d", "").count("M") == 2


def test_hostile_text_stays_text() -> None:
    label = Label(HOSTILE, HOSTILE, "m1", HOSTILE, HOSTILE)
    plot = search_plot([Mark(1, 1e4, "pass")], [Level(1e4, HOSTILE, "m-found")], label)
    assert "<script" not in plot
    assert len(list(tree(plot).iter(f"{SVG}text"))) > 3

"""Shmoos: to scale, what was tried as shapes, what is inferred as areas, one legend for all."""

from __future__ import annotations

import math
import re
from itertools import pairwise

import pytest

from harness_reports.html import file_text
from harness_reports.margin_view import margin_views
from harness_reports.plot import Label, Mark
from harness_reports.shmoo import Border, Shmoo, shmoo_plot
from tests.unit.reports.margin_samples import search, shmoo
from tests.unit.reports.test_plot import texts

LABEL = Label("a shmoo", "what it shows", "s", "supply", "clock rate")
POINTS = (
    (2.0, 1000.0, "pass"), (2.0, 2000.0, "fail"),
    (2.5, 2000.0, "pass"), (2.5, 4000.0, "unstable"),
    (4.0, 4000.0, "pass"), (4.0, 4100.0, "fail"),
)  # fmt: skip


def plot_of_points() -> str:
    made = tuple(Border(*one) for one in ((2.0, 1e3, 2e3), (2.5, 2e3, 4e3), (4.0, 4e3, 4.1e3)))
    marks = tuple(Mark(*point) for point in POINTS)
    return str(shmoo_plot(Shmoo(marks, made, 3000.0, math.nan, "{:.1f} V".format), LABEL))


def places(plot: str) -> list[tuple[float, float]]:
    found = re.findall(r'<use class="m-\w+" href="#shape-\w+" x="([\d.]+)" y="([\d.]+)"', plot)
    return [(float(x), float(y)) for x, y in found]


def areas(plot: str, kind: str) -> list[tuple[float, ...]]:
    paths = re.findall(rf'<path class="m-in-{kind}" d="([^"]*)"', plot)
    return [tuple(float(number) for number in re.findall(r"[\d.]+", path)) for path in paths]


def test_values_and_rates_are_to_scale() -> None:
    (x0, y0), (_, y1), (x2, _), (_, y3), (x4, y4), (_, y5) = places(plot_of_points())
    assert (x2 - x0) / (x4 - x0) == pytest.approx((2.5 - 2.0) / (4.0 - 2.0), abs=0.01)
    assert (y0 - y1) / (y0 - y3) == pytest.approx((2e3 - 1e3) / (4e3 - 1e3), abs=0.01)
    assert y4 == y3
    assert y5 < y4, "the rate goes upwards"


def test_what_was_not_tried_is_shaded_up_to_the_limit_and_nothing_is_between() -> None:
    plot = plot_of_points()
    passing, failing = areas(plot, "pass"), areas(plot, "fail")
    assert len(passing) == len(failing) == 3
    tried = places(plot)
    for (left, low, right, *_), strokes, (x, passed), (_, failed) in zip(
        passing, failing, tried[::2], tried[1::2], strict=True
    ):
        assert left <= x + 6 <= right
        assert low == pytest.approx(passed + 6, abs=0.1), "from the fastest that passed down"
        assert all(left <= stroke <= right for stroke in strokes[::3])
        assert strokes[2] == pytest.approx(failed + 6, abs=0.1), "from the next faster one up"


def test_both_axes_have_names_and_units_and_the_declared_clock_its_words() -> None:
    found = set(texts(plot_of_points()))
    assert {"supply", "clock rate", "declared 3 kHz", "2.0 V", "4.0 V", "1 kHz", "4 kHz"} <= found


def test_no_words_below_the_plot_end_beyond_it() -> None:
    marks = (Mark(0.0, 1e3, "pass"), Mark(20_000.0, 2e3, "pass"))
    plot = str(shmoo_plot(Shmoo(marks, (), 1e3, math.nan, "{:,.0f} ns".format), LABEL))
    place = re.findall(r'x="([\d.]+)" y="[\d.]+" class="m-num">20,000 ns<', plot)
    assert [float(x) for x in place] == [pytest.approx(340 - 9 * 6.6 / 2, abs=0.1)]


def test_no_style_stands_in_a_plot_for_the_policy_forbids_it() -> None:
    for plot in (plot_of_points(), margin_views([search()])[0].plot):
        assert not re.search(r"\sstyle=|<style|\bon\w+=", plot)


def test_a_row_without_a_failing_rate_has_no_failing_area() -> None:
    marks = (Mark(1.0, 1e3, "pass"), Mark(2.0, 1e3, "fail"))
    borders = (Border(1.0, 1e3, None), Border(2.0, None, 1e3))
    plot = str(shmoo_plot(Shmoo(marks, borders, 1e3, 1.0, str), LABEL))
    assert (len(areas(plot, "pass")), len(areas(plot, "fail"))) == (1, 1)


def test_a_shmoo_fits_a_phone_and_its_points_stay_apart() -> None:
    plot = margin_views([shmoo()])[0].plot
    width, height = map(int, re.findall(r'viewBox="0 0 (\d+) (\d+)"', plot)[0])
    assert width == 340
    assert height <= 640
    columns: dict[float, list[float]] = {}
    for x, y in places(plot):
        columns.setdefault(x, []).append(y)
    gaps = [below - above for ys in columns.values() for above, below in pairwise(sorted(ys))]
    assert min(gaps) >= 11.9


def test_the_legend_names_each_symbol_of_the_plot_and_no_other() -> None:
    passing = tuple(point for point in search().points if point.passing)
    for margin in (shmoo(), search(), search(points=passing)):
        view = margin_views([margin])[0]
        known = {symbol for symbol, _ in view.legend}
        drawn = set(re.findall(r'<(?:use|path) class="m-([\w-]+)"', view.plot))
        assert drawn - {"grid", "axis"} == known
        assert all(f".m-{symbol} " in file_text("style.css") for symbol in known)

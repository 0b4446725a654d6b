"""Plots of margins as inline SVG: a search, a margin over time, and the pieces of other plots.

The one rule: a point is known by its shape (circle with a tick, square with a cross, diamond), the
declared clock by a dashed line with its words, so that colour is never needed. Colours come from
the page's style by class. Everything drawn is also in a table or sentence beside the plot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness_reports.axes import Axis, axis, thinned
from harness_reports.svg import line, picture, text
from harness_reports.texts import hertz

_WIDTH, _HEIGHT = 680, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 84, 172, 26, 46


@dataclass(frozen=True)
class Mark:
    """A point of a plot: its place in the units of both axes, and the shape that it gets.

    ``shape`` is ``pass``, ``fail`` or ``unstable``: of a verdict, for the style has these.
    """

    x: float
    y: float
    shape: str


@dataclass(frozen=True)
class Level:
    """A line across a plot, with its words."""

    value: float
    words: str
    kind: str


@dataclass(frozen=True)
class Label:
    """The words of a plot: title, description, key for ids, and the names of both axes."""

    title: str
    description: str
    key: str
    across: str
    up: str


@dataclass(frozen=True)
class _Chart:
    """A plot of ``count`` columns up to ``right``, with values upwards."""

    up: Axis
    count: int
    right: int

    def x(self, column: float) -> float:
        return _LEFT + (self.right - _LEFT) * (column + 0.5) / self.count

    def y(self, value: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _BOTTOM - _TOP) * self.up.place(value)

    def frame(self, write: Callable[[float], str], names: Mapping[int, str]) -> list[Markup]:
        """Draw the lines and numbers of both axes; ``names`` are of columns."""
        bottom = _HEIGHT - _BOTTOM
        rules = "".join(f"M{_LEFT} {self.y(tick):.1f}H{self.right}" for tick in self.up.ticks)
        return [
            line(rules, "m-grid"),
            line(f"M{_LEFT} {_TOP}V{bottom}H{self.right}", "m-axis"),
            *(note(_LEFT - 8, self.y(t) + 4, write(t), "m-num m-end") for t in self.up.ticks),
            *(note(self.x(n), bottom + 16, words, "m-num") for n, words in names.items()),
        ]

    def levels(self, levels: Sequence[Level]) -> list[Markup]:
        """Draw lines across, and write at their ends, two lines of words never on each other."""
        parts, last = [], float("inf")
        for level in sorted(levels, key=lambda level: level.value):
            y = self.y(level.value)
            parts.append(line(f"M{_LEFT} {y:.1f}H{self.right}", level.kind))
            last = min(y + 4, last - 14)
            parts.append(note(self.right + 6, last, level.words, "m-word m-start"))
        return parts


def search_plot(marks: Sequence[Mark], levels: Sequence[Level], label: Label) -> Markup:
    """Draw a search: tries from left to right (``x`` from 1), the rate of each in Hz upwards."""
    up = axis([*(mark.y for mark in marks), *(level.value for level in levels)])
    chart = _Chart(up, max(2, len(marks)), _WIDTH - _RIGHT)
    parts = [
        *chart.frame(hertz, {n: str(n + 1) for n in thinned(chart.count, 24)}),
        *chart.levels(levels),
        *(shape(chart.x(mark.x - 1), chart.y(mark.y), mark.shape, 15) for mark in marks),
    ]
    return _named("margin", (_WIDTH, _HEIGHT), label, parts, _LEFT)


def trend_plot(
    days: Sequence[str], marks: Sequence[Mark], spans: Sequence[tuple[float, float]], label: Label
) -> Markup:
    """Draw a value in per cent over time; ``spans`` are the intervals around the marks.

    ``x`` of a mark counts from 0 and names its day in ``days``.
    """
    up = axis([0.0, *(mark.y for mark in marks), *(edge for span in spans for edge in span)])
    chart = _Chart(up, len(days), _WIDTH - _LEFT // 3)
    places = [f"{chart.x(mark.x):.1f} {chart.y(mark.y):.1f}" for mark in marks]
    bars = "".join(
        f"M{chart.x(mark.x):.1f} {chart.y(low):.1f}V{chart.y(high):.1f}"
        for mark, (low, high) in zip(marks, spans, strict=True)
    )
    parts = [
        *chart.frame(lambda value: f"{value:g} %", {n: days[n] for n in thinned(len(days), 6)}),
        *chart.levels([Level(0.0, "", "m-declared")]),
        line("M" + " L".join(places), "m-line"),
        line(bars, "m-bar"),
        *(shape(chart.x(mark.x), chart.y(mark.y), mark.shape, 13) for mark in marks),
    ]
    return _named("margin", (_WIDTH, _HEIGHT), label, parts, _LEFT)


def _named(
    kind: str, size: tuple[int, int], label: Label, parts: Sequence[Markup], left: int
) -> Markup:
    """Put a plot together, with the names of its axes."""
    names = [
        note(left, size[1] - 8, label.across, "m-name m-start"),
        note(4, 12, label.up, "m-name m-start"),
    ]
    return picture(kind, size, label.key, (label.title, label.description), [*parts, *names])


def fluid(size: tuple[int, int], label: Label, parts: Sequence[Markup]) -> Markup:
    """Put a plot together that fits a phone, and grows with a wider page."""
    return _named("margin fluid", size, label, parts, 4)


def shape(x: float, y: float, name: str, size: int) -> Markup:
    """Draw one of the shapes of verdicts around a place."""
    return Markup(
        '<use class="m-{s}" href="#shape-{s}" x="{x}" y="{y}" width="{w}" height="{w}"/>'
    ).format(s=name, x=f"{x - size / 2:.1f}", y=f"{y - size / 2:.1f}", w=size)


def note(x: float, y: float, written: str, kind: str) -> Markup:
    """Write words at a place."""
    return text(f"{x:.1f}", f"{y:.1f}", written, kind)

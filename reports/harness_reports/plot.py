"""Plots of margins as inline SVG: a search, a shmoo, and a margin over time.

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
_SHMOO_TOP = 44
_MAX_CELL, _MIN_CELL, _ROW = 72, 16, 26
_MAX_WIDTH = 760


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
            *(_text(_LEFT - 8, self.y(t) + 4, write(t), "m-num m-end") for t in self.up.ticks),
            *(_text(self.x(n), bottom + 16, words, "m-num") for n, words in names.items()),
        ]

    def levels(self, levels: Sequence[Level]) -> list[Markup]:
        """Draw lines across, and write at their ends, two lines of words never on each other."""
        parts, last = [], float("inf")
        for level in sorted(levels, key=lambda level: level.value):
            y = self.y(level.value)
            parts.append(line(f"M{_LEFT} {y:.1f}H{self.right}", level.kind))
            last = min(y + 4, last - 14)
            parts.append(_text(self.right + 6, last, level.words, "m-word m-start"))
        return parts


def search_plot(marks: Sequence[Mark], levels: Sequence[Level], label: Label) -> Markup:
    """Draw a search: tries from left to right (``x`` from 1), the rate of each in Hz upwards."""
    up = axis([*(mark.y for mark in marks), *(level.value for level in levels)])
    chart = _Chart(up, max(2, len(marks)), _WIDTH - _RIGHT)
    parts = [
        *chart.frame(hertz, {n: str(n + 1) for n in thinned(chart.count, 24)}),
        *chart.levels(levels),
        *(_shape(chart.x(mark.x - 1), chart.y(mark.y), mark.shape, 15) for mark in marks),
    ]
    return _whole((_WIDTH, _HEIGHT), label, parts)


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
        *(_shape(chart.x(mark.x), chart.y(mark.y), mark.shape, 13) for mark in marks),
    ]
    return _whole((_WIDTH, _HEIGHT), label, parts)


@dataclass(frozen=True)
class Grid:
    """A shmoo: the columns' rates in Hz, the rows' values, and the points that were measured.

    Marks count columns and rows from 0. ``declared`` is a rate, ``usual`` the value of the row
    axis that holds when nothing is swept; nan for none.
    """

    rates: tuple[float, ...]
    rows: tuple[float, ...]
    marks: tuple[Mark, ...]
    declared: float
    usual: float
    write_row: Callable[[float], str]


def shmoo_plot(grid: Grid, label: Label) -> Markup:
    """Draw a shmoo; cells that were not measured stay empty."""
    cell = max(_MIN_CELL, min(_MAX_CELL, _MAX_WIDTH // max(1, len(grid.rates))))
    right = _LEFT + cell * len(grid.rates)
    bottom = _SHMOO_TOP + _ROW * len(grid.rows)
    return _whole(
        (max(right + 40, 360), bottom + _BOTTOM),
        label,
        [
            *_cells(grid, cell, right, bottom),
            *_declared(grid, cell, bottom),
            *(
                _shape(
                    _LEFT + (mark.x + 0.5) * cell,
                    bottom - (mark.y + 0.5) * _ROW,
                    mark.shape,
                    min(16, cell - 2),
                )
                for mark in grid.marks
            ),
        ],
    )


def between(values: Sequence[float], value: float) -> float | None:
    """Find where a value stands among ascending ones, counted from 0; None if it is outside."""
    for n in range(len(values) - 1):
        if values[n] <= value <= values[n + 1]:
            return n + (value - values[n]) / ((values[n + 1] - values[n]) or 1.0)
    return 0.0 if len(values) == 1 and values[0] == value else None


def _cells(grid: Grid, cell: int, right: int, bottom: int) -> list[Markup]:
    lines = "".join(
        f"M{_LEFT + n * cell} {_SHMOO_TOP}V{bottom}" for n in range(len(grid.rates) + 1)
    )
    lines += "".join(f"M{_LEFT} {bottom - n * _ROW}H{right}" for n in range(len(grid.rows) + 1))
    parts = [line(lines, "m-grid")]
    parts += [
        _text(_LEFT + (n + 0.5) * cell, bottom + 16, hertz(grid.rates[n]), "m-num")
        for n in thinned(len(grid.rates), (right - _LEFT) // 72)
    ]
    for n in thinned(len(grid.rows), 20):
        words = grid.write_row(grid.rows[n])
        parts.append(_text(_LEFT - 8, bottom - (n + 0.5) * _ROW + 4, words, "m-num m-end"))
    return parts


def _declared(grid: Grid, cell: int, bottom: int) -> list[Markup]:
    """Mark the declared clock, and the usual row, where they are within the grid."""
    parts = []
    column = between(grid.rates, grid.declared)
    if column is not None:
        x = _LEFT + (column + 0.5) * cell
        parts.append(line(f"M{x:.1f} {_SHMOO_TOP - 6}V{bottom}", "m-declared"))
        parts.append(_text(x, _SHMOO_TOP - 10, f"declared {hertz(grid.declared)}", "m-word"))
    row = between(grid.rows, grid.usual)
    if row is not None:
        y = bottom - (row + 0.5) * _ROW
        parts.append(line(f"M{_LEFT} {y:.1f}H{_LEFT + cell * len(grid.rates)}", "m-usual"))
    return parts


def _whole(size: tuple[int, int], label: Label, parts: Sequence[Markup]) -> Markup:
    names = [
        _text(_LEFT, size[1] - 8, label.across, "m-name m-start"),
        _text(4, 12, label.up, "m-name m-start"),
    ]
    return picture("margin", size, label.key, (label.title, label.description), [*parts, *names])


def _shape(x: float, y: float, shape: str, size: int) -> Markup:
    return Markup(
        '<use class="m-{s}" href="#shape-{s}" x="{x}" y="{y}" width="{w}" height="{w}"/>'
    ).format(s=shape, x=f"{x - size / 2:.1f}", y=f"{y - size / 2:.1f}", w=size)


def _text(x: float, y: float, words: str, kind: str) -> Markup:
    return text(f"{x:.1f}", f"{y:.1f}", words, kind)

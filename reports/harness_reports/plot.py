"""Plots of margins as inline SVG: a search, a shmoo, and a margin night by night.

The one rule: a point is told by its shape (circle with a tick, square with a cross, diamond), the
declared clock by a dashed line with its words, so that colour is never needed. Colours come from
the page's style by class. Whatever is drawn also stands in a table or sentence beside the plot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness_reports.axes import Axis, axis, thinned
from harness_reports.svg import line, picture, text
from harness_reports.texts import hertz

_WIDTH, _HEIGHT = 680, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 84, 172, 26, 46
_SHMOO_TOP = 44
_CELL, _LEAST_CELL, _ROW = 72, 16, 26
_MOST_WIDE = 760


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
    """What stands at a plot: title, description, key for ids, and the names of both axes."""

    title: str
    description: str
    key: str
    across: str
    up: str


def search_plot(marks: Sequence[Mark], levels: Sequence[Level], label: Label) -> Markup:
    """Draw a search: tries from left to right (``x`` from 1), the rate of each in Hz upwards."""
    up = axis([*(mark.y for mark in marks), *(level.value for level in levels)])
    count = max(2, len(marks))
    right = _WIDTH - _RIGHT

    def x_of(x: float) -> float:
        return _LEFT + (right - _LEFT) * (x - 0.5) / count

    tries = [(x_of(n + 1), str(n + 1)) for n in thinned(count, 24)]
    return _whole(
        (_WIDTH, _HEIGHT),
        label,
        [
            *_frame(up, hertz, tries, (right, _HEIGHT - _BOTTOM)),
            *_levels(levels, up, right),
            *(_shape(x_of(mark.x), _y_of(up, mark.y), mark.shape, 15) for mark in marks),
        ],
    )


def trend_plot(
    days: Sequence[str], marks: Sequence[Mark], spans: Sequence[tuple[float, float]], label: Label
) -> Markup:
    """Draw a value in per cent night by night; ``spans`` are the intervals around the marks.

    ``x`` of a mark counts from 0 and names its day in ``days``.
    """
    up = axis([0.0, *(mark.y for mark in marks), *(edge for span in spans for edge in span)])
    right = _WIDTH - _LEFT // 3

    def x_of(x: float) -> float:
        return _LEFT + (right - _LEFT) * (x + 0.5) / len(days)

    dated = [(x_of(n), days[n]) for n in thinned(len(days), 6)]
    course = " ".join(
        f"{'L' if n else 'M'}{x_of(mark.x):.1f} {_y_of(up, mark.y):.1f}"
        for n, mark in enumerate(marks)
    )
    bars = "".join(
        f"M{x_of(mark.x):.1f} {_y_of(up, low):.1f}V{_y_of(up, high):.1f}"
        for mark, (low, high) in zip(marks, spans, strict=True)
    )
    zero = [Level(0.0, "", "m-declared")]
    return _whole(
        (_WIDTH, _HEIGHT),
        label,
        [
            *_frame(up, lambda value: f"{value:g} %", dated, (right, _HEIGHT - _BOTTOM)),
            *_levels(zero, up, right),
            line(course, "m-line"),
            line(bars, "m-bar"),
            *(_shape(x_of(mark.x), _y_of(up, mark.y), mark.shape, 13) for mark in marks),
        ],
    )


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
    cell = max(_LEAST_CELL, min(_CELL, _MOST_WIDE // max(1, len(grid.rates))))
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


def _frame(
    up: Axis,
    write: Callable[[float], str],
    across: Sequence[tuple[float, str]],
    end: tuple[int, int],
) -> list[Markup]:
    """Draw the lines and numbers of both axes."""
    right, bottom = end
    lines = "".join(f"M{_LEFT} {_y_of(up, tick):.1f}H{right}" for tick in up.ticks)
    parts = [line(lines, "m-grid"), line(f"M{_LEFT} {_TOP}V{bottom}H{right}", "m-axis")]
    parts += [_text(_LEFT - 8, _y_of(up, t) + 4, write(t), "m-num m-end") for t in up.ticks]
    parts += [_text(x, bottom + 16, words, "m-num") for x, words in across]
    return parts


def _levels(levels: Sequence[Level], up: Axis, right: int) -> list[Markup]:
    """Draw lines across, and write at their ends, two lines of words never on each other."""
    parts, last = [], float("inf")
    for level in sorted(levels, key=lambda level: level.value):
        y = _y_of(up, level.value)
        parts.append(line(f"M{_LEFT} {y:.1f}H{right}", level.kind))
        last = min(y + 4, last - 14)
        parts.append(_text(right + 6, last, level.words, "m-word m-start"))
    return parts


def _y_of(up: Axis, value: float) -> float:
    return _HEIGHT - _BOTTOM - (_HEIGHT - _BOTTOM - _TOP) * up.place(value)


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

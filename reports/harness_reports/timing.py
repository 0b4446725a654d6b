"""The timing drawing: signals and buses down, cycles across, expected against observed, as SVG.

The one rule: the first mismatch is marked by words and a framed column, so that colour is never
needed. Colours come from the page's style by class. Long windows are cut into strips that fit a
page; what is not drawn is said in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from markupsafe import Markup

from harness.errors import many, printable
from harness.records import Wave, Window
from harness_reports.captured import around
from harness_reports.svg import line, picture, text
from harness_reports.texts import differs, level, pin_name
from harness_reports.timing_rows import (
    GUTTER,
    LETTER,
    ROOM,
    Elsewhere,
    Grid,
    Row,
    moves,
    rows_of,
    short,
)

STRIP = 720
"""Pixels of cells side by side at most; more would not be legible on A4."""

_HEAD, _FOOT = 34, 48
_STEPS = (1, 2, 5, 10, 20, 50)


@dataclass(frozen=True)
class View:
    """How much is drawn: from ``before`` the first mismatch on, at most ``cycles`` of them.

    ``cell`` is the width of one in pixels.
    """

    before: int
    cycles: int
    cell: int


NEAR, AROUND, FAR = View(8, 17, ROOM), View(32, 65, 16), View(32, 180, 16)
"""Three steps back from the first mismatch; the last shows all of a short run."""


@dataclass(frozen=True)
class Drawing:
    """Strips of a window, which cycles they show, and what was left out (empty if nothing was)."""

    title: str
    strips: tuple[Markup, ...]
    note: str


def draw(
    window: Window, subject: str, key: str, elsewhere: Elsewhere, views: Sequence[View] = (NEAR,)
) -> tuple[Drawing, ...]:
    """Draw the window around its first mismatch, be it of the run drawn or one ``elsewhere``.

    A view that shows no more than the one before is left out; so is one in which nothing moves.
    ``subject`` names the table for the drawing's title; ``key`` makes element ids unique in a
    page and holds only letters, digits and dashes.
    """
    first = _first_wrong(window, elsewhere)
    extents = {
        around(len(window.cycles), first or 0, view.before, view.cycles): view
        for view in reversed(views)
    }
    drawings = (
        _draw(window, extent, view.cell, first, (subject, f"{key}-{view.cycles}"), elsewhere)
        for extent, view in reversed(extents.items())
    )
    return tuple(drawing for drawing in drawings if drawing.strips)


def draw_whole(window: Window, subject: str, key: str) -> Drawing:
    """Draw all of a window that has no mismatch, in as many strips as it takes."""
    return _draw(window, range(len(window.cycles)), NEAR.cell, None, (subject, key), {})


def _draw(
    window: Window,
    extent: range,
    cell: int,
    first: int | None,
    name: tuple[str, str],
    elsewhere: Elsewhere,
) -> Drawing:
    subject, key = name
    rows = rows_of(window, extent, elsewhere, cell)
    shown = [row for row in rows if moves(row, extent)]
    most = STRIP // cell
    width = max(1, ceil(len(extent) / max(1, ceil(len(extent) / most))))
    strips = tuple(
        _strip(
            Grid(window, extent[at : at + width], cell, elsewhere),
            shown,
            first,
            (subject, f"{key}-{at}"),
        )
        for at in range(0, len(extent), width)
        if shown
    )
    still = [row for row in rows if row not in shown]
    title = _cycles(window, extent) if strips else ""
    return Drawing(title, strips, _left_out(window, still, extent))


def _first_wrong(window: Window, elsewhere: Elsewhere) -> int | None:
    others = {cycle for cycle, _ in elsewhere}
    wrong = (
        k
        for k, cycle in enumerate(window.cycles)
        if cycle in others or any(differs(wave, k) for wave in window.waves)
    )
    return next(wrong, None)


def _cycles(window: Window, cells: range) -> str:
    return f"cycles {window.cycles[cells[0]]:,} to {window.cycles[cells[-1]]:,}"


def _left_out(window: Window, still: Sequence[Row], extent: range) -> str:
    if not extent:
        return ""
    held = [row for row in still if all(wave.driven[extent.start] != "." for wave in row.waves)]
    idle = sum(len(row.waves) for row in still) - sum(len(row.waves) for row in held)
    parts = []
    if held:
        names = ", ".join(f"{row.title} at {row.held(extent.start)}" for row in held)
        parts.append(f"Held throughout: {names}.")
    if idle:
        parts.append(f"{many(idle, 'pin')} neither driven nor tested.")
    if len(extent) < len(window.cycles):
        kept = len(window.cycles)
        parts.append(f"{len(extent):,} of the {kept:,} cycles that were read back are drawn.")
    return printable(" ".join(parts))


def _strip(grid: Grid, rows: Sequence[Row], first: int | None, name: tuple[str, str]) -> Markup:
    subject, key = name
    height = _HEAD + sum(row.height for row in rows) + _FOOT
    mark = first if first is not None and first in grid.cells else None
    there = "The first mismatch is not in this strip." if first is not None else "No mismatch."
    parts = [_grid(grid, mark, height)]
    top = _HEAD
    for row in rows:
        parts.append(row.draw(grid, top))
        top += row.height
    parts.append(_foot(grid, height))
    title = f"Timing of {subject}, {_cycles(grid.window, grid.cells)}"
    words = title, _described(grid, mark) or there
    return picture("timing", (grid.width + 8, height), key, words, parts)


def _described(grid: Grid, mark: int | None) -> str:
    if mark is None:
        return ""
    waves = grid.window.waves
    wrong = [_wrong_text(wave, mark) for wave in waves if differs(wave, mark)]
    wrong += [
        f"{pin_name(wave.pin, wave.signal)} wrong in another run ({often})"
        for wave in waves
        if (often := grid.often(wave, mark))
    ]
    return f"First mismatch in cycle {grid.window.cycles[mark]}: {'; '.join(wrong)}."


def _wrong_text(wave: Wave, k: int) -> str:
    name = pin_name(wave.pin, wave.signal)
    return f"{name} expected {level(wave.expected[k])}, observed {wave.observed[k]}"


def _grid(grid: Grid, mark: int | None, height: int) -> Markup:
    parts = [text(GUTTER - 8, _HEAD - 8, "cycle", "t-cap t-end")]
    numbers = [grid.window.cycles[k] for k in grid.cells]
    room = (len(str(numbers[-1])) + 2) * LETTER / grid.cell
    step = next(step for step in _STEPS if step >= room)
    parts += [
        text(grid.x(k) + grid.cell // 2, _HEAD - 8, str(number), "t-num")
        for number, k in zip(numbers, grid.cells, strict=True)
        if number % step == 0
    ]
    rules = "".join(f"M{grid.x(k)} {_HEAD - 4}V{height - _FOOT}" for k in grid.cells)
    parts.append(line(rules, "t-grid"))
    if mark is not None:
        parts.append(_column(grid.x(mark), grid.cell, height))
    return Markup("").join(parts)


def _column(x: int, cell: int, height: int) -> Markup:
    """Mark the column of the first mismatch: words, a triangle and a dashed frame."""
    middle = x + cell // 2
    frame = f"M{x} {_HEAD - 4}H{x + cell}V{height - _FOOT}H{x}Z"
    triangle = f"M{middle - 6} {_HEAD - 4}h12l-6 8z"
    words = text(middle, 11, "first mismatch", "t-first")
    return line(frame, "t-frame") + line(triangle, "t-tri") + words


def _foot(grid: Grid, height: int) -> Markup:
    window, cells = grid.window, grid.cells
    base = height - _FOOT + 14
    parts = [text(GUTTER - 8, base, "table line", "t-cap t-end")]
    free = 0.0
    for n, k in enumerate(cells):
        words = str(window.lines[k])
        x = grid.x(k) + grid.cell // 2
        if (n == 0 or window.lines[k] != window.lines[k - 1]) and x >= free:
            parts.append(text(x, base, words, "t-num"))
            free = x + (len(words) + 2) * LETTER
    if any(window.labels[k] for k in cells):
        parts.append(text(GUTTER - 8, base + 15, "label", "t-cap t-end"))
    return Markup("").join(parts + _labels(grid, base + 15))


def _labels(grid: Grid, y: int) -> list[Markup]:
    """Write each label where it starts, on two lines in turn, as far as there is room."""
    cells = grid.cells
    labels = [grid.window.labels[k] for k in cells]
    starts = [n for n, words in enumerate(labels) if words and (n == 0 or words != labels[n - 1])]
    ends = [*starts[2:], len(cells), len(cells)]
    return [
        text(
            GUTTER + n * grid.cell + 3,
            y + 12 * (turn % 2),
            short(labels[n], int(grid.cell * (end - n) / LETTER)),
            "t-lab",
        )
        for turn, (n, end) in enumerate(zip(starts, ends, strict=False))
    ]

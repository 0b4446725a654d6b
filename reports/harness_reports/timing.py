"""The timing drawing: pins down, cycles across, expected against observed, as inline SVG.

The one rule: a mismatch is shown by a box and the words ``1≠0`` in it, the first one also by a
marked column, so that colour is never needed. A broken box marks what was wrong in another run.
Colours come from the page's style by class. Long windows are cut into strips that fit a page; what
is not drawn is said in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from markupsafe import Markup

from harness.errors import many, printable
from harness.records import Wave, Window
from harness_reports.svg import line, picture, text
from harness_reports.texts import SATISFIES, differs, level, pin_name

MAX_STRIP_CYCLES = 18
"""Cycles side by side at most; more would not be legible on A4."""

MAX_STRIPS = 2
BEFORE = 8
"""Cycles drawn before the first mismatch, if the window has them."""

_CELL, _ROW, _GUTTER, _HEAD, _FOOT = 40, 30, 112, 34, 48
_SWING = 9
_MIDDLE = _ROW // 2
_LEVELS = {"1": (1, 1, 1), "0": (0, 0, 0), "C": (0, 1, 0), "K": (1, 0, 1)}


Elsewhere = Mapping[tuple[int, str], str]
"""Cells (cycle, pin) that were wrong in another run than the one drawn, each with its words."""


@dataclass(frozen=True)
class Drawing:
    """Strips of a window, and a sentence on what was left out (empty if nothing was)."""

    strips: tuple[Markup, ...]
    note: str


def draw(window: Window, subject: str, key: str, elsewhere: Elsewhere) -> Drawing:
    """Draw the window around its first mismatch, be it of the run drawn or one ``elsewhere``.

    ``subject`` names the table for the drawing's title; ``key`` makes element ids unique in a
    page and holds only letters, digits and dashes.
    """
    first = _first_wrong(window, elsewhere)
    extent = _drawn_range(len(window.cycles), first)
    return _draw(window, extent, first, (subject, key), elsewhere)


def draw_whole(window: Window, subject: str, key: str) -> Drawing:
    """Draw all of a window that has no mismatch, in as many strips as it takes."""
    return _draw(window, (0, len(window.cycles)), None, (subject, key), {})


def _draw(
    window: Window,
    extent: tuple[int, int],
    first: int | None,
    name: tuple[str, str],
    elsewhere: Elsewhere,
) -> Drawing:
    start, stop = extent
    subject, key = name
    waves = [wave for wave in window.waves if _moves(wave, start, stop)]
    width = ceil((stop - start) / max(1, ceil((stop - start) / MAX_STRIP_CYCLES)))
    strips = tuple(
        _strip(
            window,
            waves,
            range(at, min(at + width, stop)),
            first,
            (subject, f"{key}-{at}"),
            elsewhere,
        )
        for at in range(start, stop, max(1, width))
        if waves
    )
    return Drawing(strips, _left_out(window, waves, stop - start))


def _first_wrong(window: Window, elsewhere: Elsewhere) -> int | None:
    others = {cycle for cycle, _ in elsewhere}
    wrong = (
        k
        for k, cycle in enumerate(window.cycles)
        if cycle in others or any(differs(wave, k) for wave in window.waves)
    )
    return next(wrong, None)


def _drawn_range(cycles: int, first: int | None) -> tuple[int, int]:
    start = max(0, (first or 0) - BEFORE)
    start = max(0, min(start, cycles - MAX_STRIP_CYCLES * MAX_STRIPS))
    return start, min(cycles, start + MAX_STRIP_CYCLES * MAX_STRIPS)


def _moves(wave: Wave, start: int, stop: int) -> bool:
    """Tell whether a pin has anything to show: it is tested, pulsed, or its level changes."""
    driven = set(wave.driven[start:stop])
    tested = set(wave.expected[start:stop]) - {"."}
    return bool(tested) or bool(driven & {"C", "K"}) or len(driven) > 1


def _left_out(window: Window, drawn: Sequence[Wave], cycles: int) -> str:
    still = [wave for wave in window.waves if wave not in drawn]
    held = [f"{pin_name(w.pin, w.signal)} at {w.driven[:1]}" for w in still if "." not in w.driven]
    parts = []
    if held:
        parts.append(f"Held throughout: {', '.join(held)}.")
    if len(still) > len(held):
        parts.append(f"{many(len(still) - len(held), 'pin')} neither driven nor tested.")
    if cycles < len(window.cycles):
        kept = len(window.cycles)
        parts.append(f"{cycles} of the {kept} cycles kept are drawn; the waveform file has all.")
    return printable(" ".join(parts))


def _strip(
    window: Window,
    waves: Sequence[Wave],
    cells: range,
    first: int | None,
    name: tuple[str, str],
    elsewhere: Elsewhere,
) -> Markup:
    width = _GUTTER + len(cells) * _CELL + 8
    height = _HEAD + len(waves) * _ROW + _FOOT
    subject, key = name
    mark = first if first is not None and first in cells else None
    there = "The first mismatch is not in this strip." if first is not None else "No mismatch."
    parts = [_grid(window, cells, mark, height)]
    for n, wave in enumerate(waves):
        others = ((k, elsewhere.get((window.cycles[k], wave.pin), "")) for k in cells)
        marks = [(k, often) for k, often in others if often]
        parts.append(_lane(wave, cells, _HEAD + n * _ROW, marks))
    parts.append(_foot(window, cells, height))
    words = _title(window, cells, subject), _described(window, waves, mark, elsewhere) or there
    return picture("timing", (width, height), key, words, parts)


def _title(window: Window, cells: range, subject: str) -> str:
    first, last = window.cycles[cells[0]], window.cycles[cells[-1]]
    return f"Timing of {subject}, cycles {first} to {last}"


def _described(
    window: Window, waves: Sequence[Wave], mark: int | None, elsewhere: Elsewhere
) -> str:
    if mark is None:
        return ""
    wrong = [_wrong_text(wave, mark) for wave in waves if differs(wave, mark)]
    wrong += [
        f"{pin_name(wave.pin, wave.signal)} wrong in another run ({often})"
        for wave in waves
        if (often := elsewhere.get((window.cycles[mark], wave.pin)))
    ]
    return f"First mismatch in cycle {window.cycles[mark]}: {'; '.join(wrong)}."


def _wrong_text(wave: Wave, k: int) -> str:
    name = pin_name(wave.pin, wave.signal)
    return f"{name} expected {level(wave.expected[k])}, observed {wave.observed[k]}"


def _grid(window: Window, cells: range, mark: int | None, height: int) -> Markup:
    parts = [text(_GUTTER - 8, _HEAD - 8, "cycle", "t-cap t-end")]
    for n, k in enumerate(cells):
        x = _GUTTER + n * _CELL
        parts.append(text(x + _CELL // 2, _HEAD - 8, str(window.cycles[k]), "t-num"))
        parts.append(line(f"M{x} {_HEAD - 4}V{height - _FOOT}", "t-grid"))
    if mark is not None:
        parts.append(_column(_GUTTER + (mark - cells[0]) * _CELL, height))
    return Markup("").join(parts)


def _column(x: int, height: int) -> Markup:
    """Mark the column of the first mismatch: words, a triangle and a dashed frame."""
    middle = x + _CELL // 2
    frame = f"M{x} {_HEAD - 4}H{x + _CELL}V{height - _FOOT}H{x}Z"
    triangle = f"M{middle - 6} {_HEAD - 4}h12l-6 8z"
    words = text(middle, 11, "first mismatch", "t-first")
    return line(frame, "t-frame") + line(triangle, "t-tri") + words


def _lane(wave: Wave, cells: range, top: int, elsewhere: Sequence[tuple[int, str]]) -> Markup:
    wrong = [k for k in cells if differs(wave, k)]
    weight = " t-strong" if wrong or elsewhere else ""
    name, under = (wave.signal or wave.pin), (wave.pin if wave.signal else "")
    under = "" if under == name else under
    parts = [
        line(f"M0 {top + _ROW}H{_GUTTER + len(cells) * _CELL}", "t-rule"),
        text(_GUTTER - 8, top + (14 if under else 19), _short(name, 16), f"t-end{weight}"),
        text(_GUTTER - 8, top + 25, _short(under, 18), "t-end t-cap"),
        line(_band(wave, cells, top), "t-want"),
        line(_floating(wave, cells, top), "t-float"),
        line(_trace(_shown(wave.observed, wave.driven, cells), top), "t-seen"),
        line(_trace(_shown(wave.driven, "", cells), top), "t-driven"),
    ]
    boxes = [(k, f"{level(wave.expected[k])}≠{wave.observed[k]}", "t-box", "t-word") for k in wrong]
    boxes += [(k, words, "t-other", "t-few") for k, words in elsewhere]
    parts += [_box(_GUTTER + (k - cells[0]) * _CELL, top, *box) for k, *box in boxes]
    return Markup("").join(parts)


def _shown(own: str, other: str, cells: range) -> str:
    """Cut a wave to the strip, leaving out cycles in which ``other`` says more."""
    return "".join(
        "." if other[k : k + 1] not in {"", "."} else own[k : k + 1] or "." for k in cells
    )


def _height(level: int, top: int) -> int:
    return top + _MIDDLE - _SWING if level else top + _MIDDLE + _SWING


def _trace(wave: str, top: int) -> str:
    """Path of a wave: levels as lines, edges between neighbours, pulses in mid-cell."""
    path, last = [], -1
    for n, symbol in enumerate(wave):
        x = _GUTTER + n * _CELL
        steps = _LEVELS.get(symbol)
        if steps is None:
            last = -1
            continue
        for up, begin, end in zip(steps, (0, 10, 30), (10, 30, _CELL), strict=True):
            y = _height(up, top)
            if last < 0:
                path.append(f"M{x + begin} {y}")
            elif up != last:
                path.append(f"V{y}")
            last = up
            path.append(f"H{x + end}")
    return "".join(path)


def _band(wave: Wave, cells: range, top: int) -> str:
    """Path of what is expected, drawn broad under the trace."""
    path = []
    for n, k in enumerate(cells):
        wanted = SATISFIES.get(wave.expected[k : k + 1])
        if wanted is not None:
            y = top + _MIDDLE if wanted == "Z" else _height(int(wanted), top)
            path.append(f"M{_GUTTER + n * _CELL + 2} {y}h{_CELL - 4}")
    return "".join(path)


def _floating(wave: Wave, cells: range, top: int) -> str:
    at = [n for n, k in enumerate(cells) if wave.observed[k : k + 1] == "Z"]
    return "".join(f"M{_GUTTER + n * _CELL} {top + _MIDDLE}h{_CELL}" for n in at)


def _box(x: int, top: int, words: str, kind: str, letters: str) -> Markup:
    frame = f"M{x + 2} {top + 2}h{_CELL - 4}v{_ROW - 4}h{4 - _CELL}z"
    return line(frame, kind) + text(x + _CELL // 2, top + 19, words, letters)


def _foot(window: Window, cells: range, height: int) -> Markup:
    base = height - _FOOT + 14
    parts = [text(_GUTTER - 8, base, "table line", "t-cap t-end")]
    for n, k in enumerate(cells):
        if n == 0 or window.lines[k] != window.lines[k - 1]:
            x = _GUTTER + n * _CELL + _CELL // 2
            parts.append(text(x, base, str(window.lines[k]), "t-num"))
    if any(window.labels[k] for k in cells):
        parts.append(text(_GUTTER - 8, base + 15, "label", "t-cap t-end"))
    return Markup("").join(parts + _labels(window, cells, base + 15))


def _labels(window: Window, cells: range, y: int) -> list[Markup]:
    """Write each label where it starts, on two lines in turn, as far as there is room."""
    labels = window.labels
    starts = [
        n for n, k in enumerate(cells) if labels[k] and (n == 0 or labels[k] != labels[k - 1])
    ]
    ends = [*starts[2:], len(cells), len(cells)]
    return [
        text(
            _GUTTER + n * _CELL + 3,
            y + 12 * (turn % 2),
            _short(labels[cells[n]], 6 * (end - n)),
            "t-lab",
        )
        for turn, (n, end) in enumerate(zip(starts, ends, strict=False))
    ]


def _short(words: str, room: int) -> str:
    words = printable(words)
    return words if len(words) <= room else words[: max(1, room - 1)] + "…"

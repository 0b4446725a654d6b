"""The rows of a timing drawing: a bit as a wave, a bus as segments with its values.

The one rule: a row says by shape and words what colour says too: a wrong bit reads ``1≠0`` in a
box, a wrong value ``≠2B`` in a box below the expected one, and a broken box was wrong in another
run than the one drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from markupsafe import Markup

from harness.blame import buses_of
from harness.errors import printable
from harness.records import SATISFIES, Wave, Window
from harness_reports.svg import line, text
from harness_reports.texts import differs, level, pin_name

GUTTER = 112
"""Pixels for the names, left of the cells."""

LETTER = 6.3
"""Pixels that a character takes at most."""

ROOM = 40
"""Pixels of a cell that has room for words such as ``1 of 3``."""

_BIT, _LANE = 30, 22
_MIDDLE, _SWING = _BIT // 2, 9
_LEVELS = {"1": (1, 1, 1), "0": (0, 0, 0), "C": (0, 1, 0), "K": (1, 0, 1)}
_REST = {"0": "0", "1": "1", "C": "0", "K": "1"}
_TESTED = {"H": "1", "L": "0", "Z": "z"}
_READ = {"0": "0", "1": "1", "Z": "z"}

Elsewhere = Mapping[tuple[int, str], str]
"""Cells (cycle, pin) that were wrong in another run than the one drawn, each with its words."""


@dataclass(frozen=True)
class Grid:
    """The cells of a strip: places in the window, ``cell`` pixels for each."""

    window: Window
    cells: range
    cell: int
    elsewhere: Elsewhere

    @property
    def width(self) -> int:
        """Pixels up to the end of the last cell."""
        return GUTTER + len(self.cells) * self.cell

    def x(self, k: int) -> int:
        """Where a cell begins."""
        return GUTTER + (k - self.cells[0]) * self.cell

    def often(self, wave: Wave, k: int) -> str:
        """Say in how many runs a bit was wrong that is right in the run drawn; empty for none."""
        return self.elsewhere.get((self.window.cycles[k], wave.pin), "")


@dataclass(frozen=True)
class BitRow:
    """One pin, drawn as a wave."""

    waves: tuple[Wave, ...]
    height: int = _BIT

    @property
    def title(self) -> str:
        """The pin with the design's name for it."""
        return pin_name(self.waves[0].pin, self.waves[0].signal)

    def held(self, k: int) -> str:
        """The level that is driven."""
        return self.waves[0].driven[k]

    def draw(self, grid: Grid, top: int) -> Markup:
        """Draw its levels and what is expected; box what was wrong."""
        (wave,), cells = self.waves, grid.cells
        wrong = [k for k in cells if differs(wave, k)]
        marks = [(k, often) for k in cells if (often := grid.often(wave, k))]
        name, under = (wave.signal or wave.pin), (wave.pin if wave.signal else "")
        under = "" if under == name else under
        weight = " t-strong" if wrong or marks else ""
        parts = [
            line(f"M0 {top + _BIT}H{grid.width}", "t-rule"),
            text(GUTTER - 8, top + (14 if under else 19), short(name, 16), f"t-end{weight}"),
            text(GUTTER - 8, top + 25, short(under, 18), "t-end t-cap"),
            line(_band(wave, grid, top), "t-want"),
            line(_floating(wave, grid, top), "t-float"),
            line(_trace(_shown(wave.observed, wave.driven, cells), grid.cell, top), "t-seen"),
            line(_trace(_shown(wave.driven, "", cells), grid.cell, top), "t-driven"),
        ]
        boxes = [(k, f"{level(wave.expected[k])}≠{wave.observed[k]}", "t-word") for k in wrong]
        few = [(k, often, "t-few") for k, often in marks]
        parts += [*_boxes(grid, boxes, top, "t-box"), *_boxes(grid, few, top, "t-other")]
        return Markup("").join(parts)


@dataclass(frozen=True)
class _Segment:
    """A value over one or more cells: its kind is the class that draws it."""

    start: int
    stop: int
    words: str
    kind: str


@dataclass(frozen=True)
class BusRow:
    """A bus, the highest of its ``waves`` first: values as segments.

    Observed values have a lane of their own, below the driven and expected ones, if ``split``.
    """

    title: str
    waves: tuple[Wave, ...]
    split: bool

    @property
    def height(self) -> int:
        """In pixels."""
        return 2 * _LANE + 2 if self.split else _LANE + 4

    def held(self, k: int) -> str:
        """The value that is driven."""
        return f"0x{_upper(self.waves, k)[0]}"

    def draw(self, grid: Grid, top: int) -> Markup:
        """Draw its values, equal neighbours as one segment."""
        values = [[_upper(self.waves, k) for k in grid.cells]]
        if self.split:
            values.append([self._lower(grid, k) for k in grid.cells])
        lanes = [[*_segments(grid.cells.start, lane)] for lane in values]
        marked = any(one.kind in {"t-box", "t-other"} for one in lanes[-1])
        weight = " t-strong" if marked else ""
        parts = [
            line(f"M0 {top + self.height}H{grid.width}", "t-rule"),
            text(GUTTER - 8, top + 16, short(self.title, 16), f"t-end{weight}"),
            text(GUTTER - 8, top + _LANE + 15, "observed" * self.split, "t-end t-cap"),
        ]
        for n, lane in enumerate(lanes):
            parts += _drawn(grid, lane, top + 2 + n * _LANE + _LANE // 2)
        return Markup("").join(parts)

    def _lower(self, grid: Grid, k: int) -> tuple[str, str]:
        value = _observed(self.waves, k)
        if any(differs(wave, k) for wave in self.waves):
            return value, "t-box"
        if any(grid.often(wave, k) for wave in self.waves):
            return value, "t-other"
        return value, "t-read" if value.strip("x") else ""


Row = BitRow | BusRow


def rows_of(window: Window, extent: range, elsewhere: Elsewhere, cell: int) -> tuple[Row, ...]:
    """Make a row for each signal and bus.

    A bit of a bus has one too if it was wrong and its words have room.
    """
    rows: list[Row] = []
    for bus in buses_of([wave.signal or wave.pin for wave in window.waves]):
        waves = tuple(window.waves[place] for place in reversed(bus.places))
        if len(waves) == 1:
            rows.append(BitRow(waves))
            continue
        wrong = [wave for wave in waves if _is_wrong(window, wave, extent, elsewhere)]
        split = bool(wrong) or any(_is_read_otherwise(waves, k) for k in extent)
        rows.append(BusRow(bus.title, waves, split))
        rows += [BitRow((wave,)) for wave in wrong if cell >= ROOM]
    return tuple(rows)


def moves(row: Row, extent: range) -> bool:
    """Tell whether a row has anything to show: it is tested, pulsed, or its level changes."""
    part = slice(extent.start, extent.stop)
    driven = [wave.driven[part] for wave in row.waves]
    tested = any(set(wave.expected[part]) - {"."} for wave in row.waves)
    return tested or any(set(levels) & {"C", "K"} or len(set(levels)) > 1 for levels in driven)


def hexadecimal(levels: str) -> str:
    """Write levels, highest bit first, a digit for four, with the letters of IEEE 1364.

    ``x`` or ``z`` if all bits of a digit are unknown or floating, ``X`` or ``Z`` if some are.
    """
    ends = range(len(levels), 0, -4)
    return "".join(reversed([_digit(levels[max(0, end - 4) : end]) for end in ends]))


def short(words: str, room: int) -> str:
    """Cut words to this number of characters."""
    words = printable(words)
    return words if len(words) <= room else words[: max(1, room - 1)] + "…"


def _digit(bits: str) -> str:
    kinds = set(bits) - {"0", "1"}
    if not kinds:
        return f"{int(bits, 2):X}"
    letter = "x" if "x" in kinds else "z"
    return letter if set(bits) == {letter} else letter.upper()


def _is_wrong(window: Window, wave: Wave, extent: range, elsewhere: Elsewhere) -> bool:
    return any(differs(wave, k) or (window.cycles[k], wave.pin) in elsewhere for k in extent)


def _is_read_otherwise(waves: Sequence[Wave], k: int) -> bool:
    read = any(wave.observed[k] != "." for wave in waves)
    return read and _observed(waves, k) != _upper(waves, k)[0]


def _observed(waves: Sequence[Wave], k: int) -> str:
    return hexadecimal("".join(_READ.get(wave.observed[k], "x") for wave in waves))


def _upper(waves: Sequence[Wave], k: int) -> tuple[str, str]:
    """Value and kind of what the table says: driven if any bit is, else expected."""
    levels = [_REST.get(wave.driven[k]) or _TESTED.get(wave.expected[k], "x") for wave in waves]
    if any(wave.driven[k] in _REST for wave in waves):
        kind = "t-put"
    else:
        kind = "t-wish" if set(levels) != {"x"} else ""
    return hexadecimal("".join(levels)), kind


def _segments(at: int, values: Iterable[tuple[str, str]]) -> Iterator[_Segment]:
    for (words, kind), same in groupby(values):
        stop = at + len(list(same))
        if kind:
            yield _Segment(at, stop, words, kind)
        at = stop


def _drawn(grid: Grid, lane: Sequence[_Segment], middle: int) -> Iterator[Markup]:
    for kind in sorted({one.kind for one in lane}):
        own = [one for one in lane if one.kind == kind]
        yield line("".join(_outline(grid, one, middle) for one in own), kind)
    for one in lane:
        wrong = one.kind == "t-box"
        words = f"≠{one.words}" if wrong else one.words
        room = int(((one.stop - one.start) * grid.cell - 3) / LETTER)
        words = next((fit for fit in (words, one.words, "≠" * wrong) if len(fit) <= room), "")
        x = (grid.x(one.start) + grid.x(one.stop)) // 2
        yield text(x, middle + 4, words, "t-word" if wrong else "t-val")


def _outline(grid: Grid, one: _Segment, middle: int) -> str:
    """A box for a value that is marked, pointed ends for any other."""
    x, width = grid.x(one.start), (one.stop - one.start) * grid.cell
    if one.kind in {"t-box", "t-other"}:
        return f"M{x + 1} {middle - 9}h{width - 2}v18h{2 - width}z"
    return f"M{x} {middle}l3-8h{width - 6}l3 8-3 8h{6 - width}z"


def _shown(own: str, other: str, cells: range) -> str:
    """Cut a wave to the strip, leaving out cycles in which ``other`` says more."""
    return "".join(
        "." if other[k : k + 1] not in {"", "."} else own[k : k + 1] or "." for k in cells
    )


def _height(level: int, top: int) -> int:
    return top + _MIDDLE - _SWING if level else top + _MIDDLE + _SWING


def _trace(wave: str, cell: int, top: int) -> str:
    """Path of a wave: levels as lines, edges between neighbours, pulses in mid-cell."""
    path, last, end = [], -1, 0
    turns = (0, cell // 4, cell - cell // 4)
    for n, symbol in enumerate(wave):
        steps = _LEVELS.get(symbol)
        if steps is None:
            path += [f"H{end}"] if last >= 0 else []
            last = -1
            continue
        for up, turn in zip(steps, turns, strict=True):
            x = GUTTER + n * cell + turn
            if last < 0:
                path.append(f"M{x} {_height(up, top)}")
            elif up != last:
                path.append(f"H{x}V{_height(up, top)}")
            last = up
        end = GUTTER + (n + 1) * cell
    return "".join(path + ([f"H{end}"] if last >= 0 else []))


def _band(wave: Wave, grid: Grid, top: int) -> str:
    """Path of what is expected, drawn broad under the trace."""
    path = []
    for k in grid.cells:
        wanted = SATISFIES.get(wave.expected[k : k + 1])
        if wanted is not None:
            y = top + _MIDDLE if wanted == "Z" else _height(int(wanted), top)
            path.append(f"M{grid.x(k) + 2} {y}h{grid.cell - 4}")
    return "".join(path)


def _floating(wave: Wave, grid: Grid, top: int) -> str:
    at = [k for k in grid.cells if wave.observed[k : k + 1] == "Z"]
    return "".join(f"M{grid.x(k)} {top + _MIDDLE}h{grid.cell}" for k in at)


def _boxes(
    grid: Grid, boxes: Sequence[tuple[int, str, str]], top: int, kind: str
) -> Iterator[Markup]:
    """Box cells; those too small for their words have only the box."""
    cell = grid.cell
    frame = f"{top + 2}h{cell - 4}v{_BIT - 4}h{4 - cell}z"
    yield line("".join(f"M{grid.x(k) + 2} {frame}" for k, _, _ in boxes), kind)
    for k, words, letters in boxes:
        fits = len(words) * LETTER <= cell
        yield text(grid.x(k) + cell // 2, top + 19, words if fits else "", letters)

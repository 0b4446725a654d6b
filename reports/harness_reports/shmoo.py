"""Shmoos as inline SVG: the clock rate upwards, the second quantity across, both to scale.

The one rule: what was tried is a shape, what is only inferred from it is a light area: a slower
rate than one that passed is taken to pass, a faster one than one that failed to fail. What is
between them is not known, and stays empty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from harness_reports.axes import Axis, axis, linear
from harness_reports.plot import Label, Mark, fluid, note, shape
from harness_reports.svg import line
from harness_reports.texts import hertz

_WIDE, _LEFT, _RIGHT, _TOP, _BELOW = 340, 68, 330, 34, 44
_MIN_HIGH, _MAX_HIGH, _CLEAR = 230, 560, 12
_MARK, _HATCH = 12, 5
_DIGIT = 6.6
"""Width of a digit, at most; words that end further right than the plot would be cut off."""


@dataclass(frozen=True)
class Border:
    """A row of a shmoo: its value, and the rates in Hz of the limit and of the next faster one.

    None for ``passes`` if no rate passed, for ``fails`` if no rate that the board can run failed.
    """

    value: float
    passes: float | None
    fails: float | None


@dataclass(frozen=True)
class Shmoo:
    """What a shmoo shows: tried points (``x`` the value, ``y`` the rate in Hz), and the border.

    ``declared`` is a rate, ``usual`` the value that holds when nothing is swept; nan for none.
    """

    marks: tuple[Mark, ...]
    borders: tuple[Border, ...]
    declared: float
    usual: float
    write: Callable[[float], str]


@dataclass(frozen=True)
class _Frame:
    """The plot area: places of values and rates, of which ``bottom`` is the lowest."""

    across: Axis
    up: Axis
    bottom: int

    def x(self, value: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * min(1.0, max(0.0, self.across.place(value)))

    def y(self, rate: float) -> float:
        return self.bottom - (self.bottom - _TOP) * min(1.0, max(0.0, self.up.place(rate)))


def shmoo_plot(shmoo: Shmoo, label: Label) -> Markup:
    """Draw a shmoo that fits a phone's width, with at least one point."""
    values, rates = ({mark.x for mark in shmoo.marks}, {mark.y for mark in shmoo.marks})
    up = axis([*rates, shmoo.declared], ticks=8)
    frame = _Frame(linear(sorted(values), 0.07, 5), up, _TOP + _high(up, sorted(rates)))
    marks = (shape(frame.x(mark.x), frame.y(mark.y), mark.shape, _MARK) for mark in shmoo.marks)
    parts = [*_regions(shmoo, frame), *_axes(shmoo, frame), *_usual(shmoo, frame), *marks]
    return fluid((_WIDE, frame.bottom + _BELOW), label, parts)


def _high(up: Axis, rates: Sequence[float]) -> int:
    """Choose a height at which neighbouring rates are apart, within bounds."""
    gaps = (up.place(fast) - up.place(slow) for slow, fast in pairwise(rates))
    wanted = _CLEAR / min((gap for gap in gaps if gap), default=1.0)
    return round(min(_MAX_HIGH, max(_MIN_HIGH, wanted)))


def _regions(shmoo: Shmoo, frame: _Frame) -> Iterator[Markup]:
    """Shade what is inferred: around each value, half the way to the next ones."""
    borders = sorted(shmoo.borders, key=lambda border: border.value)
    places = [frame.x(border.value) for border in borders]
    middles = [(left + right) / 2 for left, right in pairwise(places)]
    # without a border there is one side more than borders
    for border, left, right in zip(borders, [_LEFT, *middles], [*middles, _RIGHT], strict=False):
        if border.passes is not None:
            y = frame.y(border.passes)
            yield line(f"M{left:.1f} {y:.1f}H{right:.1f}V{frame.bottom}H{left:.1f}z", "m-in-pass")
        if border.fails is not None:
            y = frame.y(border.fails)
            strokes = range(math.ceil(left / _HATCH) * _HATCH, math.ceil(right), _HATCH)
            yield line("".join(f"M{x} {_TOP}V{y:.1f}" for x in strokes), "m-in-fail")


def _axes(shmoo: Shmoo, frame: _Frame) -> Iterator[Markup]:
    rules = "".join(f"M{_LEFT} {frame.y(tick):.1f}H{_RIGHT}" for tick in frame.up.ticks)
    yield line(rules, "m-grid")
    yield line(f"M{_LEFT} {_TOP}V{frame.bottom}H{_RIGHT}", "m-axis")
    for tick in frame.up.ticks:
        yield note(_LEFT - 6, frame.y(tick) + 4, hertz(tick), "m-num m-end")
    for tick in frame.across.ticks:
        written = shmoo.write(tick)
        x = min(frame.x(tick), _WIDE - len(written) * _DIGIT / 2)
        yield note(x, frame.bottom + 16, written, "m-num")
    y = frame.y(shmoo.declared)
    yield line(f"M{_LEFT} {y:.1f}H{_RIGHT}", "m-declared")
    beside = y + 14 if y + 18 <= frame.bottom else y - 5  # most tries are above the line
    yield note(_RIGHT, beside, f"declared {hertz(shmoo.declared)}", "m-word m-end")


def _usual(shmoo: Shmoo, frame: _Frame) -> Iterator[Markup]:
    if not math.isnan(shmoo.usual):
        yield line(f"M{frame.x(shmoo.usual):.1f} {_TOP - 4}V{frame.bottom}", "m-usual")

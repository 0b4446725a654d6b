"""Margins over time: one line for each design and chip, trends of some, the latest searches.

The one rule: a page grows with its lines, and shows no more than a few plots however many there
are; lost margins come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from markupsafe import Markup

from harness.grouping import grouped
from harness.records import (
    MarginDrop,
    MarginKind,
    MarginLot,
    MarginRecord,
    margin_drop,
    margin_lots,
)
from harness_reports.distribution import (
    Distribution,
    distributions,
    lot_of,
    lots_of_run,
    place_text,
)
from harness_reports.looks import Look
from harness_reports.margin_view import MarginView, margin_look, margin_views, signed
from harness_reports.plot import Label, Mark, trend_plot
from harness_reports.texts import day

MAX_PLOTS = 6
"""Maximum number of trends, and of latest searches, drawn on a page."""

MAX_TREND_SEARCHES = 60
"""Maximum number of searches in a trend, the latest ones."""


@dataclass(frozen=True)
class Series:
    """The searches of one design and table on one chip, the oldest first.

    ``lot`` are the chips that the latest of them is compared with, if there are any.
    """

    searches: tuple[MarginRecord, ...]
    lot: MarginLot | None = None

    @property
    def last(self) -> MarginRecord:
        """The latest search."""
        return self.searches[-1]

    @cached_property
    def drop(self) -> MarginDrop | None:
        """What the latest search lost against the earlier ones."""
        return margin_drop(self.searches[:-1], self.last)

    @property
    def look(self) -> Look:
        """The latest search's word and shape."""
        return margin_look(self.last, self.drop, self.lot)

    @property
    def known(self) -> tuple[MarginRecord, ...]:
        """Searches that found a limit, the latest of them."""
        return tuple(one for one in self.searches if one.percent is not None)[-MAX_TREND_SEARCHES:]

    @property
    def place(self) -> str:
        """Where the chip is among those of the lot."""
        return place_text(self.last, self.lot)

    @property
    def rank(self) -> tuple[bool, bool, float, str, str]:
        """Lost margins first, then odd ones, then the smallest margin."""
        least = -100.0 if self.last.percent is None else self.last.percent
        odd = self.lot is not None and self.lot.is_odd(self.last)
        return self.drop is None, not odd, least, self.last.chip_serial, self.last.design

    def until(self, run_id: str) -> Series:
        """Cut the series after a run's last search; empty if the run has none."""
        mine = [n for n, one in enumerate(self.searches, 1) if one.run_id == run_id]
        return Series(self.searches[: max(mine, default=0)])

    def among(self, lots: Sequence[MarginLot]) -> Series:
        """Compare with other chips."""
        return replace(self, lot=lot_of(self.last, lots))


@dataclass(frozen=True)
class Trend:
    """The margin of one design on one chip over time, drawn and in a sentence."""

    title: str
    plot: Markup
    summary: str


@dataclass(frozen=True)
class MarginHistory:
    """The margins on a history page."""

    lines: tuple[Series, ...]
    distributions: tuple[Distribution, ...]
    trends: tuple[Trend, ...]
    views: tuple[MarginView, ...]


def build_margins(
    margins: Sequence[MarginRecord], others: Sequence[MarginRecord] = ()
) -> MarginHistory:
    """Work out the margins of a chip or a design from all stored ones, oldest first.

    ``others`` are the latest ones of other chips on the same designs.
    """
    lots = margin_lots([*margins, *others])
    series = _ranked(_series(margins), lots)
    drawn = [one for one in series if len(one.known) > 1][:MAX_PLOTS]
    shmoos = {
        (one.chip_serial, one.design, one.table, one.kind): one
        for one in margins
        if one.kind is not MarginKind.RATE
    }
    latest = [*(one.last for one in series), *shmoos.values()]
    return MarginHistory(
        lines=series,
        distributions=() if others else distributions(lots, MAX_PLOTS),
        trends=tuple(_trend(one, f"trend-{n + 1}") for n, one in enumerate(drawn)),
        views=margin_views(latest[:MAX_PLOTS], margins, lots),
    )


def series_of_run(run_id: str, margins: Sequence[MarginRecord]) -> tuple[Series, ...]:
    """Give each search of a run with the earlier ones; lost margins first."""
    own = (one.until(run_id) for one in _series(margins))
    return _ranked(own, lots_of_run(run_id, margins))


def _ranked(series: Iterable[Series], lots: Sequence[MarginLot]) -> tuple[Series, ...]:
    compared = (one.among(lots) for one in series if one.searches)
    return tuple(sorted(compared, key=lambda one: one.rank))


def _series(margins: Iterable[MarginRecord]) -> list[Series]:
    """Put searches of the same chip, design and table together."""
    rates = (one for one in margins if one.kind is MarginKind.RATE)
    groups = grouped(((one.chip_serial, one.design, one.table), one) for one in rates)
    return [Series(tuple(searches)) for searches in groups.values()]


def _trend(series: Series, key: str) -> Trend:
    known, last = series.known, series.known[-1]
    title = f"{last.design}{f' / {last.table}' if last.table else ''} on {last.chip_serial}"
    days = [day(one.measured) for one in known]
    marks, spans, dropped = [], [], []
    for n, one in enumerate(known):
        percent = one.percent or 0.0
        lost = margin_drop(known[:n], one) is not None
        marks.append(Mark(n, percent, "fail" if lost or percent < 0 else "pass"))
        spans.append(_span(one, percent))
        dropped += [days[n]] if lost else []
    summary = _summary([mark.y for mark in marks], dropped)
    label = Label(f"Margin of {title}", summary, key, "searches by day (UTC)", "margin in per cent")
    return Trend(title, trend_plot(days, marks, spans, label), summary)


def _span(one: MarginRecord, percent: float) -> tuple[float, float]:
    """Give the range in per cent in which the limit may lie."""
    low, high = one.noise_low_hz, one.noise_high_hz
    if low is None or high is None:
        return percent, percent
    return (low / one.declared_hz - 1) * 100, (high / one.declared_hz - 1) * 100


def _summary(values: Sequence[float], dropped: Sequence[str]) -> str:
    text = (
        f"{len(values):,} searches: from {signed(min(values))} to {signed(max(values))}, "
        f"latest {signed(values[-1])}."
    )
    if not dropped:
        return text
    return f"{text} Dropped by more than noise on {', '.join(dropped)}."

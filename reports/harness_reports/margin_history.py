"""Margins over time: one line for each design and chip, trends of some, the latest searches.

The one rule: a page grows with its lines, and shows no more than a few plots however many there
are; what lost margin comes first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC

from markupsafe import Markup

from harness.records import MarginDrop, MarginKind, MarginRecord, margin_drop
from harness_reports.looks import Look
from harness_reports.margin_view import (
    MarginView,
    drop_text,
    exactly,
    margin_look,
    margin_views,
    signed,
)
from harness_reports.plot import Label, Mark, trend_plot
from harness_reports.texts import hertz

PLOTS = 6
"""So many trends, and so many of the latest searches, are drawn on a page."""

NIGHTS = 60
"""So many of the latest searches are drawn in a trend."""


@dataclass(frozen=True)
class MarginLine:
    """The searches of one design on one chip: the latest, and what it is compared with."""

    look: Look
    chip: str
    design: str
    table: str
    limit: str
    declared: str
    measured: str
    searches: int
    lost: str


@dataclass(frozen=True)
class Trend:
    """The margin of one design on one chip over time, drawn and in a sentence."""

    title: str
    plot: Markup
    told: str


@dataclass(frozen=True)
class MarginHistory:
    """All that a history says of margins."""

    lines: tuple[MarginLine, ...]
    trends: tuple[Trend, ...]
    views: tuple[MarginView, ...]


def build_margins(margins: Sequence[MarginRecord]) -> MarginHistory:
    """Work out the margins of a chip or a design from all that are kept, oldest first."""
    series = sorted(_series(margins), key=_rank)
    drawn = [one for one in series if len(_known(one)) > 1][:PLOTS]
    latest = [*(one[-1] for one in series), *_latest_shmoos(margins)]
    return MarginHistory(
        lines=tuple(_line(one) for one in series),
        trends=tuple(_trend(one, f"trend-{n + 1}") for n, one in enumerate(drawn)),
        views=margin_views(latest[:PLOTS], margins),
    )


def lines_of_run(run_id: str, margins: Sequence[MarginRecord]) -> tuple[MarginLine, ...]:
    """Give a line for each search of a run, what lost margin first; ``margins`` as above."""
    series = [_until(one, run_id) for one in _series(margins)]
    return tuple(_line(one) for one in sorted((one for one in series if one), key=_rank))


def _until(series: Sequence[MarginRecord], run_id: str) -> Sequence[MarginRecord]:
    """Cut a series behind a run's last search; nothing is left if the run has none."""
    last = max((n for n, one in enumerate(series) if one.run_id == run_id), default=-1)
    return series[: last + 1]


def _series(margins: Iterable[MarginRecord]) -> list[list[MarginRecord]]:
    """Put searches of the same chip, design and table together."""
    found: dict[tuple[str, str, str], list[MarginRecord]] = {}
    for margin in margins:
        if margin.kind is MarginKind.RATE:
            key = (margin.chip_serial, margin.design, margin.table)
            found.setdefault(key, []).append(margin)
    return list(found.values())


def _latest_shmoos(margins: Iterable[MarginRecord]) -> list[MarginRecord]:
    found = {
        (one.chip_serial, one.design, one.table, one.kind): one
        for one in margins
        if one.kind is not MarginKind.RATE
    }
    return list(found.values())


def _drop(series: Sequence[MarginRecord]) -> MarginDrop | None:
    return margin_drop(series[:-1], series[-1])


def _rank(series: Sequence[MarginRecord]) -> tuple[bool, float, str, str]:
    """What lost margin first, then the smallest margin."""
    last = series[-1]
    percent = last.percent
    least = -100.0 if percent is None else percent
    return _drop(series) is None, least, last.chip_serial, last.design


def _line(series: Sequence[MarginRecord]) -> MarginLine:
    last, drop = series[-1], _drop(series)
    return MarginLine(
        look=margin_look(last, drop),
        chip=last.chip_serial,
        design=last.design,
        table=last.table,
        limit=exactly(last.highest_hz) if last.highest_hz is not None else "–",
        declared=hertz(last.declared_hz),
        measured=f"{last.measured.astimezone(UTC):%Y-%m-%d %H:%M}",
        searches=len(series),
        lost=drop_text(drop) if drop is not None else "",
    )


def _known(series: Sequence[MarginRecord]) -> list[MarginRecord]:
    """Searches that found a limit, the latest of them."""
    return [one for one in series if one.percent is not None][-NIGHTS:]


def _trend(series: Sequence[MarginRecord], key: str) -> Trend:
    known = _known(series)
    last = known[-1]
    title = f"{last.design}{f' / {last.table}' if last.table else ''} on {last.chip_serial}"
    days = [f"{one.measured.astimezone(UTC):%Y-%m-%d}" for one in known]
    marks, spans, dropped = [], [], []
    for n, one in enumerate(known):
        percent = one.percent or 0.0
        lost = margin_drop(known[:n], one) is not None
        marks.append(Mark(n, percent, "fail" if lost or percent < 0 else "pass"))
        spans.append(_span(one, percent))
        dropped += [days[n]] if lost else []
    told = _told(known, dropped)
    label = Label(f"Margin of {title}", told, key, "searches by day (UTC)", "margin in per cent")
    return Trend(title, trend_plot(days, marks, spans, label), told)


def _span(one: MarginRecord, percent: float) -> tuple[float, float]:
    """Give the per cents between which the limit may lie."""
    low, high = one.noise_low_hz, one.noise_high_hz
    if low is None or high is None:
        return percent, percent
    return (low / one.declared_hz - 1) * 100, (high / one.declared_hz - 1) * 100


def _told(known: Sequence[MarginRecord], dropped: Sequence[str]) -> str:
    values = [one.percent or 0.0 for one in known]
    text = (
        f"{len(known):,} searches: from {signed(min(values))} to {signed(max(values))}, "
        f"{signed(values[-1])} at the latest."
    )
    if not dropped:
        return text
    return f"{text} Lower than before by more than noise on {', '.join(dropped)}."

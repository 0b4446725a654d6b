"""Margins as they are shown: every sentence, number and plot of one search or one shmoo.

The one rule: what a margin means is worked out in the record; here it is only put into words.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness.errors import many
from harness.records import (
    MarginDrop,
    MarginEdge,
    MarginKind,
    MarginLot,
    MarginPoint,
    MarginRecord,
    margin_drop,
)
from harness.store import PassRate, pass_rate
from harness_reports.distribution import among_text, lot_of
from harness_reports.looks import Fact, Look
from harness_reports.plot import Label, Level, Mark, search_plot
from harness_reports.shmoo import Border, Shmoo, shmoo_plot
from harness_reports.texts import duration, hertz, moment

FIGURES = 6
"""Significant figures that tell neighbouring rates of a search apart."""

_ADVICE_DROP = (
    "Measure again before drawing conclusions: supply, temperature and contacts also change a "
    "limit. If the drop stays, compare with other chips of the lot."
)
_DROPPED = "Dropped by more than noise"
_ADVICE_TROUBLE = "This says nothing about the chip. Fix the cause, then measure again."


@dataclass(frozen=True)
class MarginView:
    """One margin as shown. ``plot`` is empty if nothing was tried."""

    margin: MarginRecord
    kind: KindWords
    anchor: str
    look: Look
    title: str
    summary: str
    advice: str
    facts: tuple[Fact, ...]
    plot: Markup
    legend: tuple[tuple[str, str], ...]


def margin_views(
    margins: Sequence[MarginRecord],
    earlier: Sequence[MarginRecord] = (),
    lots: Sequence[MarginLot] = (),
) -> tuple[MarginView, ...]:
    """Put margins into words.

    Each search is compared with ``earlier`` ones of its chip, and with the other chips of its lot.
    """
    return tuple(
        _view(margin, margin_drop(earlier, margin), lot_of(margin, lots), f"margin-{n + 1}")
        for n, margin in enumerate(margins)
    )


def margin_look(margin: MarginRecord, drop: MarginDrop | None, lot: MarginLot | None) -> Look:
    """Give a margin's word and shape: its per cent, or what is wrong or odd."""
    if margin.trouble:
        return Look("INCOMPLETE", "error")
    if margin.kind is not MarginKind.RATE:
        return _shmoo_look(margin)
    percent = margin.percent
    if percent is None:
        return Look("NO RATE PASSES", "fail")
    if drop is not None:
        return Look(f"{percent_text(margin)}, DROPPED", "fail")
    if margin.short:
        return Look("CLOCK NOT REACHED", "error")
    if margin.below_declared:
        return Look(percent_text(margin), "fail")
    if lot is not None and lot.is_odd(margin):
        return Look(f"{percent_text(margin)}, ODD", "unstable")
    return Look(percent_text(margin), "pass")


def percent_text(margin: MarginRecord) -> str:
    """``+42.5 %``, or ``at least +100 %`` where the board could go no faster; empty if none."""
    if margin.percent is None:
        return ""
    open_end = margin.failing_hz is None and margin.kind is not MarginKind.SAMPLE
    least = "at least " if open_end else ""
    return least + signed(margin.percent)


def signed(percent: float) -> str:
    """``+25.0 %``: with its sign, and no more figures than are meaningful."""
    return f"{percent:+.1f} %" if abs(percent) < 100 else f"{percent:+,.0f} %"


def exactly(rate: float) -> str:
    """Write a limit so that it differs from its neighbours."""
    return hertz(rate, FIGURES)


def drop_text(drop: MarginDrop) -> str:
    """``up to 71.2 kHz, was 88.3 kHz (noise 0.1 kHz)``: the limit now, and the usual one."""
    now = f"up to {exactly(drop.now_hz)}" if drop.now_hz else "at no rate"
    return f"{now}, was {exactly(drop.usual_hz)} (noise {hertz(drop.noise_hz, 2)})"


def _shmoo_look(margin: MarginRecord) -> Look:
    """Say whether every row of a shmoo reaches the declared clock."""
    rows = len(margin.edges)
    reached = sum(_reaches(edge, margin.declared_hz) for edge in margin.edges)
    if rows and reached == rows:
        return Look("CLOCK REACHED", "pass")
    return Look(f"CLOCK REACHED IN {reached} OF {rows}", "unstable" if reached else "fail")


def _reaches(edge: MarginEdge, declared_hz: float) -> bool:
    """Whether a row passes at the declared clock, or at the board's next slower rate."""
    highest, failing = edge.highest_hz or 0.0, edge.failing_hz
    return highest >= declared_hz or (highest > 0 and failing is not None and failing > declared_hz)


def _view(
    margin: MarginRecord, drop: MarginDrop | None, lot: MarginLot | None, anchor: str
) -> MarginView:
    advice = _ADVICE_TROUBLE if margin.trouble else _ADVICE_DROP if drop is not None else ""
    what = f"{margin.design} / {margin.table}" if margin.table else margin.design
    summary = _summary(margin)
    plot = _plot(margin, what, anchor) if margin.points else Markup("")
    return MarginView(
        margin=margin,
        kind=_KINDS[margin.kind],
        anchor=anchor,
        look=margin_look(margin, drop, lot),
        title=f"{what} on {margin.chip_serial}",
        summary=summary if drop is None else f"{summary} {_DROPPED}: {drop_text(drop)}.",
        advice=advice,
        facts=_facts(margin, lot),
        plot=plot,
        legend=tuple(item for item in _legend(margin) if f'class="m-{item[0]}"' in plot),
    )


def _summary(margin: MarginRecord) -> str:
    if margin.trouble:
        return f"The search is incomplete: {margin.trouble}"
    declared = hertz(margin.declared_hz)
    if margin.kind is not MarginKind.RATE:
        return _shmoo_summary(margin, declared)
    highest, percent = margin.highest_hz, margin.percent
    if highest is None or percent is None:
        return (
            f"No rate passes, down to {hertz(margin.slowest_hz)}; the declared clock is {declared}."
        )
    side = "above" if percent >= 0 else "below"
    off = f"{signed(abs(percent))[1:]} {side} the declared clock of {declared}"
    if margin.failing_hz is None:
        return f"Passes up to {exactly(highest)}, the fastest rate available here: at least {off}."
    return f"Passes up to {exactly(highest)}, {off}; fails at {exactly(margin.failing_hz)}."


def _shmoo_summary(margin: MarginRecord, declared: str) -> str:
    known = [edge for edge in margin.edges if edge.highest_hz is not None]
    if not known:
        return f"No rate passes anywhere; the declared clock is {declared}."
    kind = _KINDS[margin.kind]
    known.sort(key=kind.of)
    slow, fast = (pick(known, key=lambda edge: edge.highest_hz or 0.0) for pick in (min, max))
    nowhere = len(margin.edges) - len(known)
    rest = f" {nowhere} of {len(margin.edges)} rows pass at no rate." if nowhere else ""
    return (
        f"Passes up to {hertz(slow.highest_hz or 0.0)} at {kind.write(kind.of(slow))} and up to "
        f"{hertz(fast.highest_hz or 0.0)} at {kind.write(kind.of(fast))}; the declared clock is "
        f"{declared}.{rest}"
    )


def _facts(margin: MarginRecord, lot: MarginLot | None) -> tuple[Fact, ...]:
    how = "cycles timed by hardware" if margin.exact else "cycles paced by software: averages"
    low, high = margin.noise_low_hz, margin.noise_high_hz
    noise = (
        "" if low is None or high is None or low == high else f"{exactly(low)} to {exactly(high)}"
    )
    search = margin.kind is MarginKind.RATE
    promised = hertz(margin.promised_hz) if margin.promised_hz > margin.declared_hz else ""
    points, trials = many(len(margin.points), "point"), many(margin.trials, "trial")
    model = ", a virtual board: a model, not silicon" if margin.virtual else ""
    return (
        Fact("Declared clock", hertz(margin.declared_hz)),
        Fact("Promised clock, beyond this board", promised),
        Fact(_KINDS[margin.kind].margin, percent_text(margin)),
        Fact("Range of the limit", noise if search else ""),
        Fact("Among the chips measured alike", among_text(margin, lot)),
        Fact("Searched", f"{hertz(margin.slowest_hz)} to {hertz(margin.fastest_hz)}; {how}"),
        Fact("Tried", f"{points}, {trials} in all, {duration(margin.seconds)}"),
        Fact("Measured", moment(margin.measured)),
        Fact("Chip and board", f"{margin.chip_serial} on {margin.board_serial}{model}"),
        Fact("Tables, SHA-256", margin.tables_sha256, "code"),
        Fact("Margin id", margin.margin_id, "code"),
    )


def passes(point: MarginPoint) -> PassRate:
    """Give the pass rate of a point, and how sure it is."""
    return pass_rate(point.passes, point.trials)


def point_look(point: MarginPoint) -> Look:
    """Give the word and shape of a point that was tried."""
    if point.mixed:
        return Look("mixed", "unstable")
    return Look("passes", "pass") if point.passing else Look("fails", "fail")


def _plot(margin: MarginRecord, what: str, key: str) -> Markup:
    kind = _KINDS[margin.kind]
    label = Label(
        title=f"{kind.title}: {what} on {margin.chip_serial}",
        description=_summary(margin),
        key=key,
        across="try" if margin.kind is MarginKind.RATE else kind.beside.lower(),
        up="clock rate",
    )
    if margin.kind is MarginKind.RATE:
        return search_plot(_search_marks(margin), _levels(margin), label)
    return shmoo_plot(_shmoo(margin), label)


def _search_marks(margin: MarginRecord) -> list[Mark]:
    return [
        Mark(n + 1, point.achieved_hz or point.rate_hz, point_look(point).shape)
        for n, point in enumerate(margin.points)
    ]


def _levels(margin: MarginRecord) -> list[Level]:
    levels = [Level(margin.declared_hz, f"declared {hertz(margin.declared_hz)}", "m-declared")]
    if margin.highest_hz is not None:
        levels.append(
            Level(margin.highest_hz, f"passes to {exactly(margin.highest_hz)}", "m-found")
        )
    return levels


def _shmoo(margin: MarginRecord) -> Shmoo:
    kind = _KINDS[margin.kind]
    marks = (
        Mark(kind.of(p), p.achieved_hz or p.rate_hz, point_look(p).shape) for p in margin.points
    )
    borders = (Border(kind.of(edge), edge.highest_hz, edge.failing_hz) for edge in margin.edges)
    usual = kind.of(margin.edges[0]) if margin.edges else math.nan
    return Shmoo(tuple(marks), tuple(borders), margin.declared_hz, usual, kind.write)


def _legend(margin: MarginRecord) -> tuple[tuple[str, str], ...]:
    """Name what a plot may have; a shape is that of a verdict, the others are of the style."""
    shapes = (
        ("pass", "all trials passed"),
        ("unstable", "some passed"),
        ("fail", "none passed"),
        ("declared", "declared clock"),
    )
    if margin.kind is MarginKind.RATE:
        return (*shapes, ("found", "fastest rate that passed"))
    return (
        *shapes,
        ("usual", _KINDS[margin.kind].usual),
        ("in-pass", "not tried: a faster rate passed"),
        ("in-fail", "not tried: a slower rate failed"),
    )


@dataclass(frozen=True)
class KindWords:
    """The words for one kind of margin: its title, its second quantity and the usual value."""

    title: str
    beside: str
    margin: str
    usual: str
    of: Callable[[MarginPoint | MarginEdge], float]
    write: Callable[[float], str]


def _nanoseconds(value: float) -> str:
    return f"{value:,.0f} ns" if value else "at the end"


_KINDS = {
    MarginKind.RATE: KindWords("Search of the clock rate", "", "Margin", "", lambda _: 0.0, str),
    MarginKind.SAMPLE: KindWords(
        "Shmoo of clock rate and sample point",
        "Sample point",
        "Margin at the latest sample point",
        "the latest sample point",
        lambda at: float(at.sample_ns),
        _nanoseconds,
    ),
    MarginKind.SUPPLY: KindWords(
        "Shmoo of clock rate and supply voltage",
        "Supply",
        "Margin at the nominal voltage",
        "the nominal voltage",
        lambda at: at.volts or 0.0,
        "{:.2f} V".format,
    ),
}

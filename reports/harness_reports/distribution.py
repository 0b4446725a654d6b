"""How the limits of many chips are spread, and which chip is odd among them: words and a plot.

The one rule: a chip that is marked passes; the page names the rule that marks it, and its source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness.records import MIN_LOT, LotChip, LotLimits, MarginLot, MarginRecord, margin_lots
from harness_reports.axes import axis
from harness_reports.plot import Label, fluid, note, shape
from harness_reports.svg import line
from harness_reports.texts import hertz

_WIDE, _LEFT, _RIGHT, _TOP, _STACK = 340, 18, 322, 58, 150
_DOT = 13

RULE = (
    "Limits: median ± 6 robust sigma, robust sigma = (Q3 - Q1) / 1.35: part average testing after "
    "AEC-Q001, Guidelines for Part Average Testing (Automotive Electronics Council). Quartiles are "
    "interpolated at (n + 1) p (NIST/SEMATECH e-Handbook, 7.2.6.2) and count as at least one step "
    "of the search apart; equal quartiles give no limits. An odd chip passes: look at it before "
    "you rely on it."
)


@dataclass(frozen=True)
class Distribution:
    """A lot as shown: the chips with what is said of each, the lowest limit first."""

    lot: MarginLot
    title: str
    summary: str
    plot: Markup
    rows: tuple[tuple[LotChip, str], ...]
    rule: str = RULE
    legend: tuple[tuple[str, str], ...] = (
        ("pass", "a chip"),
        ("unstable", "an odd chip"),
        ("found", "median"),
        ("declared", "limits"),
    )


def lots_of_run(run_id: str, margins: Sequence[MarginRecord]) -> tuple[MarginLot, ...]:
    """Put together what a run searched and the latest others had until then."""
    own = [one for one in margins if one.run_id == run_id]
    last = max((one.measured for one in own), default=None)
    designs = {one.design for one in own}
    return margin_lots(
        one
        for one in margins
        if last is not None and one.measured <= last and one.design in designs
    )


def lot_of(margin: MarginRecord, lots: Sequence[MarginLot]) -> MarginLot | None:
    """Find the lot that a search is part of, with at least one other chip."""
    return next((lot for lot in lots if lot.place(margin) is not None and len(lot.chips) > 1), None)


def distributions(lots: Sequence[MarginLot], most: int) -> tuple[Distribution, ...]:
    """Show lots that are large enough for limits, at most so many; those with odd chips first."""
    large = [lot for lot in lots if len(lot.chips) >= MIN_LOT]
    large.sort(key=lambda lot: not lot.odd)
    return tuple(_distribution(lot, f"lot-{n + 1}") for n, lot in enumerate(large[:most]))


def place_text(margin: MarginRecord, lot: MarginLot | None) -> str:
    """``3 of 32``, counted from the lowest limit; a dash if there is no other chip."""
    place = None if lot is None else lot.place(margin)
    return "–" if lot is None or place is None else f"{place + 1} of {len(lot.chips)}"


def among_text(margin: MarginRecord, lot: MarginLot | None) -> str:
    """Say where a chip is among those of its lot, and whether it is odd; empty if it is alone."""
    place = None if lot is None else lot.place(margin)
    if lot is None or place is None:
        return ""
    chip, count = lot.chips[place], len(lot.chips)
    where = f"{place + 1} of {count}, counted from the lowest"
    if lot.limits is None:
        return f"{where}; {_no_limits(lot)}"
    odd = "ODD: " if chip.odd else ""
    return f"{odd}{where}, {_off(chip, lot.limits)}; {_limits(lot.limits)}"


def _distribution(lot: MarginLot, key: str) -> Distribution:
    title = f"{lot.design}{f' / {lot.table}' if lot.table else ''} on {len(lot.chips)} chips"
    summary = f"The latest search of each chip: {_spread(lot)}."
    if lot.limits is not None:
        named = ", ".join(f"{chip.chip_serial} ({_exactly(chip.highest_hz)})" for chip in lot.odd)
        summary += f" Odd: {named}." if named else " No chip is odd."
    rows = tuple((chip, "" if lot.limits is None else _off(chip, lot.limits)) for chip in lot.chips)
    label = Label(f"Limits of {title}", summary, key, "passes up to", "chips")
    return Distribution(lot, title, summary, _plot(lot, label), rows)


def _spread(lot: MarginLot) -> str:
    low, high = (_exactly(lot.chips[k].highest_hz) for k in (0, -1))
    spread = f"from {low} to {high}"
    if lot.limits is None:
        return f"{spread}; {_no_limits(lot)}"
    return f"{spread}; median {_exactly(lot.limits.median_hz)}, {_limits(lot.limits)}"


def _no_limits(lot: MarginLot) -> str:
    if len(lot.chips) < MIN_LOT:
        return f"limits need {MIN_LOT} chips"
    return "no limits, as the quartiles are equal"


def _limits(limits: LotLimits) -> str:
    return f"limits {_exactly(limits.low_hz)} to {_exactly(limits.high_hz)}"


def _off(chip: LotChip, limits: LotLimits) -> str:
    off = (chip.highest_hz - limits.median_hz) / limits.sigma_hz
    return f"{abs(off):.1f} robust sigma {'below' if off < 0 else 'above'} the median"


def _exactly(rate: float) -> str:
    return hertz(rate, 5)


def _plot(lot: MarginLot, label: Label) -> Markup:
    """Draw a dot for each chip over its rate, those of one place on each other."""
    limits = lot.limits
    levels = () if limits is None else (limits.low_hz, limits.median_hz, limits.high_hz)
    across = axis([*(chip.highest_hz for chip in lot.chips), *levels], ticks=4)
    places = [_LEFT + (_RIGHT - _LEFT) * across.place(chip.highest_hz) for chip in lot.chips]
    columns = [round((place - _LEFT) / _DOT) for place in places]
    step = min(_DOT, _STACK / max(Counter(columns).values()))
    base = _TOP + _STACK
    parts = [line(f"M{_LEFT} {base}H{_RIGHT}", "m-axis")]
    parts += [
        note(_LEFT + (_RIGHT - _LEFT) * across.place(tick), base + 16, hertz(tick), "m-num")
        for tick in across.ticks
    ]
    if limits is not None:
        parts += _levels(limits, [_LEFT + (_RIGHT - _LEFT) * across.place(one) for one in levels])
    seen: Counter[int] = Counter()
    for chip, place, column in zip(lot.chips, places, columns, strict=True):
        y = base - 8 - step * seen[column]
        seen[column] += 1
        parts.append(shape(place, y, "unstable" if chip.odd else "pass", 13 if chip.odd else 11))
    return fluid((_WIDE, base + 40), label, parts)


def _levels(limits: LotLimits, places: Sequence[float]) -> Iterator[Markup]:
    """Draw the limits and the median, each with words on a line of its own."""
    low, middle, high = places
    for row, place, name in (
        (0, low, f"low limit {_exactly(limits.low_hz)}"),
        (1, high, f"high limit {_exactly(limits.high_hz)}"),
        (2, middle, f"median {_exactly(limits.median_hz)}"),
    ):
        y = 24 + 13 * row
        yield line(f"M{place:.1f} {y + 3}V{_TOP + _STACK}", "m-found" if row == 2 else "m-declared")
        end = "m-end" if place > (_LEFT + _RIGHT) / 2 else "m-start"
        yield note(place, y, name, f"m-word {end}")

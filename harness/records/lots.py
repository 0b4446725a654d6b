"""Chips that pass but are odd: limits of many chips for the same tables, by part average testing.

One rule: a chip is odd only against at least ten chips that were measured alike, and never within
what the search can tell apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isclose
from statistics import median, quantiles

from harness.grouping import grouped
from harness.records.margins import MarginKind, MarginRecord

MIN_LOT = 10
"""Minimum number of chips that limits are worked out from."""

SIGMAS = 6.0
NORMAL_IQR = 1.35
"""Standard deviations between the quartiles of normal values, as the source rounds 1.349."""


@dataclass(frozen=True)
class LotLimits:
    """The median of a lot, its robust sigma, and the limits beyond which a value is odd. In Hz."""

    median_hz: float
    sigma_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class LotChip:
    """One chip of a lot: its latest search and what that found, in Hz.

    ``failing_hz`` is None if the board's fastest rate passed, so that the true limit is higher.
    """

    chip_serial: str
    margin_id: str
    highest_hz: float
    failing_hz: float | None
    odd: bool


@dataclass(frozen=True)
class MarginLot:
    """Chips whose limits can be compared, the lowest limit first.

    ``step_hz`` is the typical distance from a limit to the next faster rate. ``limits`` is None for
    fewer than :data:`MIN_LOT` chips, and if the quartiles are equal; then no chip is odd.
    """

    design: str
    table: str
    declared_hz: float
    step_hz: float
    limits: LotLimits | None
    chips: tuple[LotChip, ...]

    @property
    def odd(self) -> tuple[LotChip, ...]:
        """The chips outside the limits."""
        return tuple(chip for chip in self.chips if chip.odd)

    def place(self, margin: MarginRecord) -> int | None:
        """Say which of the chips a search is of, counted from the lowest; None if it is of none."""
        ids = [chip.margin_id for chip in self.chips]
        return ids.index(margin.margin_id) if margin.margin_id in ids else None

    def is_odd(self, margin: MarginRecord) -> bool:
        """Whether a search is one of the lot that is outside the limits."""
        return any(chip.margin_id == margin.margin_id for chip in self.odd)


def lot_limits(values_hz: Sequence[float], step_hz: float = 0.0) -> LotLimits | None:
    """Work out limits: median ± 6 robust sigma, robust sigma = (Q3 - Q1) / 1.35.

    That is part average testing after AEC-Q001, Guidelines for Part Average Testing (Automotive
    Electronics Council; from memory, confirmed by an open implementation that names it). A normal
    distribution has its quartiles 1.349 sigma apart. Quartiles are interpolated at (n + 1) p, as
    the NIST/SEMATECH e-Handbook, section 7.2.6.2, does. Rates are quantised, so the quartiles count
    as at least ``step_hz``, one step of the search, apart. None for fewer than :data:`MIN_LOT`
    values, and for equal quartiles: the spread is below what the search can tell, so it marks no
    chip.
    """
    if len(values_hz) < MIN_LOT:
        return None
    first, middle, third = quantiles(values_hz, n=4)
    if isclose(first, third):  # interpolated, so equal values may differ in the last bit
        return None
    sigma = max(third - first, step_hz) / NORMAL_IQR
    return LotLimits(middle, sigma, middle - SIGMAS * sigma, middle + SIGMAS * sigma)


def margin_lots(margins: Iterable[MarginRecord]) -> tuple[MarginLot, ...]:
    """Put the latest limits of chips together that were measured alike, sorted by design and table.

    Searches that broke off, or found no passing rate, and shmoos are left out.
    """
    latest: dict[tuple[object, ...], MarginRecord] = {}
    for one in sorted(margins, key=lambda one: one.measured):
        if one.kind is MarginKind.RATE and not one.trouble and one.highest_hz is not None:
            latest[one.chip_serial, one.virtual, one.design, one.table] = one
    lots = grouped((one.alike, one) for one in latest.values())
    made = (_lot(searches) for searches in lots.values())
    return tuple(sorted(made, key=lambda lot: (lot.design, lot.table, lot.declared_hz)))


def _lot(searches: Sequence[MarginRecord]) -> MarginLot:
    steps = [
        one.failing_hz - (one.highest_hz or 0.0) for one in searches if one.failing_hz is not None
    ]
    step = median(steps) if steps else 0.0
    limits = lot_limits([one.highest_hz or 0.0 for one in searches], step)
    chips = (
        LotChip(
            one.chip_serial,
            one.margin_id,
            one.highest_hz or 0.0,
            one.failing_hz,
            limits is not None and _is_odd(limits, one),
        )
        for one in searches
    )
    first = searches[0]
    ranked = tuple(sorted(chips, key=lambda chip: (chip.highest_hz, chip.chip_serial)))
    return MarginLot(first.design, first.table, first.declared_hz, step, limits, ranked)


def _is_odd(limits: LotLimits, one: MarginRecord) -> bool:
    """Whether a limit is outside; one that only the board's fastest rate sets is never too low."""
    highest = one.highest_hz or 0.0
    too_low = highest < limits.low_hz and one.failing_hz is not None
    return too_low or highest > limits.high_hz

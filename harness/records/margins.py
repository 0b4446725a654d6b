"""The margin of a design on a chip, as it is kept, and when a lower one counts as a loss.

One rule: a margin says what was tried and how often it passed; what people read of it (per cent, an
alarm) is computed here, once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from operator import attrgetter
from statistics import median

MAX_LOOK_BACK = 10
"""Maximum number of earlier margins that a new one is compared with."""

NORMAL_MAD = 1.4826
"""Standard deviations in a median absolute deviation of normal values: 1 / the 75 % quantile."""

DEVIATIONS = 3.0

MAX_HZ = 1e15
"""No board is near this rate; sums with it are still numbers."""


class MarginKind(StrEnum):
    """What was searched: the clock rate alone, or the rate against a second quantity (shmoo)."""

    RATE = "rate"
    SAMPLE = "sample"
    SUPPLY = "supply"


@dataclass(frozen=True)
class MarginPoint:
    """One point that was tried: its conditions, how often, and how often everything passed.

    ``rate_hz`` was asked for, ``achieved_hz`` is what the board measured or set. ``sample_ns`` is
    the time from the last edge to reading, 0: as late as the cycle allows. ``volts`` is the supply
    voltage that was set, None if none was. ``passing`` says how the point was decided. Raises
    ValueError for what cannot have been tried.
    """

    rate_hz: float
    achieved_hz: float
    sample_ns: int
    volts: float | None
    trials: int
    passes: int
    passing: bool

    def __post_init__(self) -> None:
        _check_place(self.sample_ns, self.volts, self.rate_hz, self.achieved_hz)
        if not 0 <= self.passes <= self.trials:
            raise ValueError(f"{self.passes} passes of {self.trials} trials")

    @property
    def mixed(self) -> bool:
        """Whether some trials passed and some did not."""
        return 0 < self.passes < self.trials


@dataclass(frozen=True)
class MarginEdge:
    """The limit at one sample point or voltage, rates in Hz.

    ``highest_hz`` is the fastest rate that passed, None if none did. ``failing_hz`` is the next
    faster one that was tried, and failed; None if the fastest there is passed. Raises ValueError
    for what cannot be.
    """

    sample_ns: int
    volts: float | None
    highest_hz: float | None
    failing_hz: float | None

    def __post_init__(self) -> None:
        _check_place(self.sample_ns, self.volts, self.highest_hz, self.failing_hz)


def _check_place(sample_ns: int, volts: float | None, *rates_hz: float | None) -> None:
    _check_rates(*rates_hz)
    if not 0 <= sample_ns < 1 << 63 or not math.isfinite(volts or 0.0):
        raise ValueError(f"{sample_ns} ns, {volts} V is no place of a shmoo")


def _check_rates(*rates_hz: float | None) -> None:
    for rate in rates_hz:
        if not 0 <= (rate or 0.0) <= MAX_HZ:
            raise ValueError(f"{rate} Hz is no rate")


@dataclass(frozen=True)
class MarginRecord:
    """One search, or one shmoo, of one design on one chip.

    ``run_id`` is the night's run, empty for a search of its own. ``table`` is empty if all tables
    of the design ran; ``tables_sha256`` identifies them. ``declared_hz`` is the clock that a
    margin is relative to: the one that the design is promised to work at (``promised_hz``) if the
    board reaches it, else the fastest that its tables ask for. ``edges`` has one limit for a
    search, and one for each sample point or voltage of a shmoo. ``noise_low_hz`` to
    ``noise_high_hz`` is where the limit of the first edge may lie: from the fastest rate below
    which nothing was mixed or failed to the slowest above which nothing passed; both None if there
    is no limit. ``fastest_hz`` and ``slowest_hz`` bound what was searched. ``exact`` means that
    hardware timed every cycle. ``trouble`` says why the search broke off; then ``edges`` may be
    missing. Raises ValueError for rates that cannot be.
    """

    margin_id: str
    run_id: str
    measured: datetime
    shuttle: str
    rack: str
    slot: str
    chip_serial: str
    board_serial: str
    virtual: bool
    design: str
    table: str
    tables_sha256: str
    kind: MarginKind
    declared_hz: float
    promised_hz: float
    slowest_hz: float
    fastest_hz: float
    exact: bool
    edges: tuple[MarginEdge, ...]
    noise_low_hz: float | None
    noise_high_hz: float | None
    points: tuple[MarginPoint, ...]
    trials: int
    seconds: float
    trouble: str

    def __post_init__(self) -> None:
        noise = self.noise_low_hz, self.noise_high_hz
        _check_rates(self.declared_hz, self.promised_hz, self.slowest_hz, self.fastest_hz, *noise)
        if self.edges and not self.declared_hz:
            raise ValueError("a limit has no clock that it is relative to")

    @property
    def highest_hz(self) -> float | None:
        """The fastest passing rate of the first edge; None if none passed or none was found."""
        return self.edges[0].highest_hz if self.edges else None

    @property
    def failing_hz(self) -> float | None:
        """The next faster rate, which failed; None if the fastest there is passed."""
        return self.edges[0].failing_hz if self.edges else None

    @property
    def below_declared(self) -> bool:
        """Whether the chip was shown to fail at a rate asked for that is within its clock."""
        if self.trouble or not self.edges:
            return False
        first = self.edges[0]
        return any(
            not point.passing and point.rate_hz <= self.declared_hz * (1 + 1e-12)
            for point in self.points
            if (point.sample_ns, point.volts) == (first.sample_ns, first.volts)
        )

    @property
    def short(self) -> bool:
        """Whether the board never reached the declared clock, so that nothing is known there."""
        highest, failing = self.highest_hz, self.failing_hz
        if self.trouble or self.below_declared or highest is None:
            return False
        return highest < self.declared_hz and (failing is None or failing < self.declared_hz)

    @property
    def alike(self) -> tuple[object, ...]:
        """What must be the same for two limits to be compared, the chip aside."""
        what = self.virtual, self.design, self.table, self.tables_sha256
        return (*what, self.exact, self.declared_hz)

    @property
    def percent(self) -> float | None:
        """How far the limit is above the declared clock, in per cent of that; None without one."""
        if self.highest_hz is None:
            return None
        return (self.highest_hz / self.declared_hz - 1) * 100


@dataclass(frozen=True)
class MarginDrop:
    """A margin that is lower than before by more than its own noise. Rates in Hz.

    ``usual_hz`` is the median of earlier limits, ``noise_hz`` how far a limit may be from that
    without meaning anything, ``now_hz`` the limit now: 0 if no rate passes any more.
    """

    chip_serial: str
    design: str
    declared_hz: float
    usual_hz: float
    noise_hz: float
    now_hz: float


def margin_drop(earlier: Sequence[MarginRecord], now: MarginRecord) -> MarginDrop | None:
    """Compare a search with earlier ones of the same chip and design; None if nothing is lost.

    Only searches of the rate count that ran the same tables in the same way, on a board that times
    cycles the same way, and did not break off; of these the latest :data:`MAX_LOOK_BACK` that were
    no loss themselves. The noise is the larger of three standard deviations, estimated from the
    median absolute deviation (which an outlier does not move), and of the interval in which a
    limit may lie. A limit that only the board's fastest rate sets is no loss.
    """
    usual: list[MarginRecord] = []
    before = (one for one in earlier if _comparable(one, now))
    for one in sorted(before, key=attrgetter("measured")):
        if _loss(usual, one) is None:
            usual.append(one)
    return _loss(usual, now) if _usable(now) else None


def _loss(usual: Sequence[MarginRecord], now: MarginRecord) -> MarginDrop | None:
    """Compare with the latest of what is usual."""
    alike = usual[-MAX_LOOK_BACK:]
    known = [one.highest_hz for one in alike if one.highest_hz is not None]
    cut_off = now.highest_hz is not None and now.failing_hz is None
    if not known or cut_off:
        return None
    middle = median(known)
    deviation = DEVIATIONS * NORMAL_MAD * median(abs(value - middle) for value in known)
    noise = max(deviation, _width(now), median(_width(one) for one in alike))
    limit = now.highest_hz or 0.0
    if limit >= middle - noise:
        return None
    return MarginDrop(now.chip_serial, now.design, now.declared_hz, middle, noise, limit)


def _usable(one: MarginRecord) -> bool:
    return one.kind is MarginKind.RATE and not one.trouble and bool(one.edges)


def _comparable(one: MarginRecord, now: MarginRecord) -> bool:
    return (
        _usable(one)
        and one.margin_id != now.margin_id
        and (not now.run_id or one.run_id != now.run_id)
        and one.measured <= now.measured
        and (one.chip_serial, one.alike) == (now.chip_serial, now.alike)
    )


def _width(one: MarginRecord) -> float:
    if one.noise_low_hz is None or one.noise_high_hz is None:
        return 0.0
    return one.noise_high_hz - one.noise_low_hz

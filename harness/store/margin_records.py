"""How much margin a design had on a chip, as it is kept: values, and what makes a loss of it.

One rule: a margin says what was tried and how often it passed; whatever is worked out of that for
a person (per cent, an alarm) is worked out here, once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from statistics import median

LOOK_BACK = 10
"""So many earlier margins are what a new one is compared with."""


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
    voltage that was set, None where none was. ``passing`` says how the point was decided.
    """

    rate_hz: float
    achieved_hz: float
    sample_ns: int
    volts: float | None
    trials: int
    passes: int
    passing: bool

    @property
    def mixed(self) -> bool:
        """Whether some trials passed and some did not."""
        return 0 < self.passes < self.trials


@dataclass(frozen=True)
class MarginEdge:
    """The limit at one sample point or voltage, rates in Hz.

    ``highest_hz`` is the fastest rate that passed, None if none did. ``failing_hz`` is the next
    faster one that was tried, and failed; None if the fastest there is passed.
    """

    sample_ns: int
    volts: float | None
    highest_hz: float | None
    failing_hz: float | None


@dataclass(frozen=True)
class MarginRecord:
    """One search, or one shmoo, of one design on one chip.

    ``run_id`` is the night's run, empty for a search of its own. ``table`` is empty where all
    tables of the design ran; ``tables_sha256`` stands for what was run. ``declared_hz`` is the
    clock that the design's tables ask for. ``edges`` has one limit for a search, and one for each
    sample point or voltage of a shmoo. ``noise_low_hz`` to ``noise_high_hz`` is where the limit of
    the first edge may lie: from the fastest rate below which nothing was mixed or failed to the
    slowest above which nothing passed; both None if there is no limit. ``fastest_hz`` and
    ``slowest_hz`` bound what was searched. ``exact`` tells that hardware timed every cycle.
    ``trouble`` says why the search broke off; then ``edges`` may be missing.
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

    @property
    def highest_hz(self) -> float | None:
        """The fastest passing rate of the first edge; None if none passed or none was found."""
        return self.edges[0].highest_hz if self.edges else None

    @property
    def failing_hz(self) -> float | None:
        """The next faster rate, which failed; None if the fastest there is passed."""
        return self.edges[0].failing_hz if self.edges else None

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

    Only searches of the rate count that ran the same tables, with cycles timed the same way, and
    did not break off; of these the latest :data:`LOOK_BACK`. The noise is the largest of their
    spread and of every interval in which a limit may lie.
    """
    alike = [one for one in earlier if _comparable(one, now)][-LOOK_BACK:]
    known = [one.highest_hz for one in alike if one.highest_hz is not None]
    if not known or not _usable(now):
        return None
    usual = median(known)
    noise = max(max(known) - min(known), *(_width(one) for one in (*alike, now)))
    limit = now.highest_hz or 0.0
    if limit >= usual - noise:
        return None
    return MarginDrop(now.chip_serial, now.design, now.declared_hz, usual, noise, limit)


def _usable(one: MarginRecord) -> bool:
    return one.kind is MarginKind.RATE and not one.trouble and bool(one.edges)


def _comparable(one: MarginRecord, now: MarginRecord) -> bool:
    return (
        _usable(one)
        and one.margin_id != now.margin_id
        and one.measured <= now.measured
        and (one.chip_serial, one.design, one.table, one.tables_sha256, one.exact)
        == (now.chip_serial, now.design, now.table, now.tables_sha256, now.exact)
    )


def _width(one: MarginRecord) -> float:
    if one.noise_low_hz is None or one.noise_high_hz is None:
        return 0.0
    return one.noise_high_hz - one.noise_low_hz

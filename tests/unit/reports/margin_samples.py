"""Hand-made margins for the tests of pages: a search, shmoos, a drop, trouble."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from harness.records import MarginEdge, MarginKind, MarginPoint, MarginRecord
from harness.virtual.speed import relative_speed
from tests.unit.reports.samples import START
from tests.unit.store.margins import margin

LIMIT_HZ = 12_700.0
TRIED = (1e3, 1e5, 1e4, 3e4, 1.8e4, 1.4e4, 1.2e4, 1.3e4, 1.25e4, 1.28e4)


def point(rate: float, limit: float, **changes: Any) -> MarginPoint:
    """A point that passes below the limit, fails above it and is mixed just there."""
    near = abs(rate / limit - 1) < 0.01
    passes = 5 if near else 16 if rate < limit else 0
    return replace(
        MarginPoint(rate, rate, 0, None, 16 if passes else 3, passes, passing=passes == 16),
        **changes,
    )


def search(limit: float = LIMIT_HZ, night: int = 0, **changes: Any) -> MarginRecord:
    points = tuple(point(rate * limit / LIMIT_HZ, limit) for rate in TRIED)
    passing = [one.rate_hz for one in points if one.passing]
    failing = [one.rate_hz for one in points if not one.passing and one.rate_hz > max(passing)]
    made = replace(
        margin(night, None),
        margin_id=f"20260309-140530-{night:04x}",
        measured=START + timedelta(days=night),
        rack="Demo rack",
        declared_hz=1e4,
        promised_hz=1e4,
        slowest_hz=1e3,
        exact=False,
        edges=(MarginEdge(0, None, max(passing), min(failing)),),
        noise_low_hz=max(passing),
        noise_high_hz=min(rate for rate in failing if rate > limit * 1.01),
        points=points,
        trials=sum(one.trials for one in points),
        seconds=4.2,
    )
    return replace(made, **changes)


def shmoo(**changes: Any) -> MarginRecord:
    """A shmoo of rate and voltage that follows the edge of a virtual chip."""
    rates = [7e3 * 1.06**n for n in range(16)]
    volts = [round(2.7 + 0.1 * n, 1) for n in range(10)]
    points, edges = [], []
    for supply in volts:
        limit = LIMIT_HZ * relative_speed(supply, 3.3)
        row = [point(rate, limit, volts=supply) for rate in rates if abs(rate / limit - 1) < 0.14]
        points += row
        passing = [one.rate_hz for one in row if one.passing]
        failing = [one.rate_hz for one in row if not one.passing]
        edges.append(MarginEdge(0, supply, max(passing, default=None), min(failing, default=None)))
    made = search(
        kind=MarginKind.SUPPLY, points=tuple(points), edges=tuple(edges), noise_low_hz=None,
        noise_high_hz=None, margin_id="20260309-150000-00ff",
    )  # fmt: skip
    return replace(made, **changes)


def nights(count: int = 12, drop_at: int = 10) -> tuple[MarginRecord, ...]:
    """A search each night; from ``drop_at`` on the limit is lower."""
    wobble = (1.0, 1.01, 0.995)
    return tuple(
        search(LIMIT_HZ * wobble[night % 3] * (1 if night < drop_at else 0.86), night)
        for night in range(count)
    )


def broken() -> MarginRecord:
    return search(
        edges=(), points=(), noise_low_hz=None, noise_high_hz=None, trials=0, night=20,
        trouble="/dev/ttyACM1: the board went away; check the cable and plug it in again",
    )  # fmt: skip

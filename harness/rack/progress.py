"""How far a long table is, from what its board answers anyway, and seldom enough for people."""

from __future__ import annotations

import time
from collections.abc import Callable

from harness.board import Heard
from harness.rack.boundary import harmless
from harness.rack.events import CyclesDone, Observer
from harness.rack.slow import seldom

EVERY_SECONDS = 1.0
"""Minimum time between two events of a slot: most tables have none."""


def cycles_done(slot: str, observe: Observer, now: Callable[[], float] = time.monotonic) -> Heard:
    """Make a function that passes on what a session hears, at most once a second."""
    report = harmless(observe)
    return seldom(lambda cycles: report(CyclesDone(slot, cycles)), EVERY_SECONDS, now)

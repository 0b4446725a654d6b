"""Margins: how fast a design works on a chip, at which sample point and voltage."""

from harness.margin.plan import SearchTarget
from harness.margin.trials import TrialRule
from harness.margin.worker import (
    MarginEvent,
    MarginFound,
    MarginObserver,
    MarginWorker,
    PointTried,
    SearchMeans,
)

__all__ = [
    "MarginEvent",
    "MarginFound",
    "MarginObserver",
    "MarginWorker",
    "PointTried",
    "SearchMeans",
    "SearchTarget",
    "TrialRule",
]

"""Margins: how fast a design still works on a chip, at which sample point and voltage."""

from harness.margin.plan import Target
from harness.margin.trials import TrialRule
from harness.margin.worker import MarginEvent, MarginFound, MarginWorker, Means, PointTried, Tell

__all__ = [
    "MarginEvent",
    "MarginFound",
    "MarginWorker",
    "Means",
    "PointTried",
    "Target",
    "Tell",
    "TrialRule",
]

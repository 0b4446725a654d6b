"""Margins: how fast a design works on a chip, at which sample point and voltage."""

from harness.margin.plan import SearchTarget as SearchTarget
from harness.margin.trials import TrialRule as TrialRule
from harness.margin.worker import MarginEvent as MarginEvent
from harness.margin.worker import MarginFound as MarginFound
from harness.margin.worker import MarginObserver as MarginObserver
from harness.margin.worker import MarginWorker as MarginWorker
from harness.margin.worker import PointTried as PointTried
from harness.margin.worker import SearchMeans as SearchMeans

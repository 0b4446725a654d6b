"""The store of runs: models, queries and the records that reports read."""

from harness.store.engine import store_file
from harness.store.glance import Glance, SlotGlance
from harness.store.history import (
    History,
    HistoryRun,
    of_chip,
    of_design,
    of_slot,
)
from harness.store.lines import STRIP_RUNS, HistoryLine, Standing
from harness.store.models import SCHEMA_VERSION
from harness.store.records import ALWAYS
from harness.store.standings import RackTrend, Standings, SubjectStanding
from harness.store.store import Store
from harness.store.summaries import Selection, SubjectKind
from harness.store.undisturbed import undisturbed
from harness.store.wilson import PassRate, pass_rate

__all__ = [
    "ALWAYS",
    "SCHEMA_VERSION",
    "STRIP_RUNS",
    "Glance",
    "History",
    "HistoryLine",
    "HistoryRun",
    "PassRate",
    "RackTrend",
    "Selection",
    "SlotGlance",
    "Standing",
    "Standings",
    "Store",
    "SubjectKind",
    "SubjectStanding",
    "of_chip",
    "of_design",
    "of_slot",
    "pass_rate",
    "store_file",
    "undisturbed",
]

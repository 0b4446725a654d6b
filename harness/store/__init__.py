"""The store of runs: models, queries and the records that reports read."""

from harness.store.engine import store_file as store_file
from harness.store.glance import Glance as Glance
from harness.store.glance import SlotGlance as SlotGlance
from harness.store.history import History as History
from harness.store.history import HistoryRun as HistoryRun
from harness.store.history import of_chip as of_chip
from harness.store.history import of_design as of_design
from harness.store.history import of_slot as of_slot
from harness.store.lines import STRIP_RUNS as STRIP_RUNS
from harness.store.lines import HistoryLine as HistoryLine
from harness.store.lines import Standing as Standing
from harness.store.models import SCHEMA_VERSION as SCHEMA_VERSION
from harness.store.records import ALWAYS as ALWAYS
from harness.store.standings import RackTrend as RackTrend
from harness.store.standings import Standings as Standings
from harness.store.standings import SubjectStanding as SubjectStanding
from harness.store.store import Store as Store
from harness.store.summaries import Selection as Selection
from harness.store.summaries import SubjectKind as SubjectKind
from harness.store.undisturbed import undisturbed as undisturbed
from harness.store.wilson import PassRate as PassRate
from harness.store.wilson import pass_rate as pass_rate

"""Every run kept: models, queries and the records that reports read."""

from harness.judge import (
    SEVERITY_ORDER,
    Attempt,
    Baseline,
    Change,
    ChipRecord,
    Conditions,
    EvidenceCycle,
    KnownVerdict,
    NightChanges,
    Origin,
    Outcome,
    PinCount,
    PinResult,
    RunKind,
    RunRecord,
    Verdict,
    WaiverRecord,
    Wave,
    Window,
)
from harness.store.codec import CodecError, JsonValue, decode, encode
from harness.store.engine import store_file
from harness.store.glance import Glance, LatestOutcome, SlotGlance
from harness.store.history import (
    History,
    HistoryNight,
    of_chip,
    of_design,
    of_slot,
)
from harness.store.lines import HistoryLine
from harness.store.margin_records import (
    MarginDrop,
    MarginEdge,
    MarginKind,
    MarginPoint,
    MarginRecord,
    margin_drop,
)
from harness.store.models import SCHEMA_VERSION
from harness.store.shortcuts import defaulted, field_types
from harness.store.store import Store
from harness.store.subjects import Subjects
from harness.store.summaries import Selection
from harness.store.undisturbed import undisturbed
from harness.store.wilson import PassRate, pass_rate

__all__ = [
    "SCHEMA_VERSION",
    "SEVERITY_ORDER",
    "Attempt",
    "Baseline",
    "Change",
    "ChipRecord",
    "CodecError",
    "Conditions",
    "EvidenceCycle",
    "Glance",
    "History",
    "HistoryLine",
    "HistoryNight",
    "JsonValue",
    "KnownVerdict",
    "LatestOutcome",
    "MarginDrop",
    "MarginEdge",
    "MarginKind",
    "MarginPoint",
    "MarginRecord",
    "NightChanges",
    "Origin",
    "Outcome",
    "PassRate",
    "PinCount",
    "PinResult",
    "RunKind",
    "RunRecord",
    "Selection",
    "SlotGlance",
    "Store",
    "Subjects",
    "Verdict",
    "WaiverRecord",
    "Wave",
    "Window",
    "decode",
    "defaulted",
    "encode",
    "field_types",
    "margin_drop",
    "of_chip",
    "of_design",
    "of_slot",
    "pass_rate",
    "store_file",
    "undisturbed",
]

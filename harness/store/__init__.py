"""Every run kept: models, queries and the records that reports read."""

from harness.judge import (
    SEVERITY_ORDER,
    Attempt,
    ChipRecord,
    Conditions,
    EvidenceCycle,
    Origin,
    Outcome,
    PinCount,
    PinResult,
    RunRecord,
    Verdict,
    WaiverRecord,
    Wave,
    Window,
)
from harness.store.models import SCHEMA_VERSION
from harness.store.plain import from_plain, to_plain
from harness.store.store import Store

__all__ = [
    "SCHEMA_VERSION",
    "SEVERITY_ORDER",
    "Attempt",
    "ChipRecord",
    "Conditions",
    "EvidenceCycle",
    "Origin",
    "Outcome",
    "PinCount",
    "PinResult",
    "RunRecord",
    "Store",
    "Verdict",
    "WaiverRecord",
    "Wave",
    "Window",
    "from_plain",
    "to_plain",
]

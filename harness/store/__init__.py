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
from harness.store.codec import CodecError, JsonValue, decode, encode, field_types
from harness.store.models import SCHEMA_VERSION
from harness.store.store import Store

__all__ = [
    "SCHEMA_VERSION",
    "SEVERITY_ORDER",
    "Attempt",
    "ChipRecord",
    "CodecError",
    "Conditions",
    "EvidenceCycle",
    "JsonValue",
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
    "decode",
    "encode",
    "field_types",
]

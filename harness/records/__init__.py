"""What was found, as frozen values, and the one way to JSON and back."""

from harness.records.codec import CodecError, JsonValue, decode, encode, to_body
from harness.records.jsontext import to_text, to_value
from harness.records.margins import (
    MarginDrop,
    MarginEdge,
    MarginKind,
    MarginPoint,
    MarginRecord,
    margin_drop,
)
from harness.records.outcome import (
    SEVERITY_ORDER,
    Attempt,
    ChipRecord,
    Conditions,
    EvidenceCycle,
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
from harness.records.shortcuts import defaulted, field_types, filler

__all__ = [
    "SEVERITY_ORDER",
    "Attempt",
    "ChipRecord",
    "CodecError",
    "Conditions",
    "EvidenceCycle",
    "JsonValue",
    "MarginDrop",
    "MarginEdge",
    "MarginKind",
    "MarginPoint",
    "MarginRecord",
    "Origin",
    "Outcome",
    "PinCount",
    "PinResult",
    "RunKind",
    "RunRecord",
    "Verdict",
    "WaiverRecord",
    "Wave",
    "Window",
    "decode",
    "defaulted",
    "encode",
    "field_types",
    "filler",
    "margin_drop",
    "to_body",
    "to_text",
    "to_value",
]

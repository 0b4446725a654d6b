"""From captures to verdicts with evidence."""

from harness.judge.outcome import (
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

__all__ = [
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
    "Verdict",
    "WaiverRecord",
    "Wave",
    "Window",
]

"""The one door through which this package gets records: stored values, no boards, no files.

Every other module here imports record classes from this one, so that what reports may read is
said in one place.
"""

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

"""From captures to verdicts with evidence."""

from harness.judge.case import Case
from harness.judge.changes import (
    NOT_PART,
    Baseline,
    Change,
    KnownVerdict,
    NightChanges,
    changes,
)
from harness.judge.compare import compared
from harness.judge.examine import Examination, PatternRunner, examine
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
    RunKind,
    RunRecord,
    Verdict,
    WaiverRecord,
    Wave,
    Window,
)
from harness.judge.policy import RetryPolicy
from harness.judge.verdict import Gathered, Judgement, judge, not_run, untested, unusable

__all__ = [
    "NOT_PART",
    "SEVERITY_ORDER",
    "Attempt",
    "Baseline",
    "Case",
    "Change",
    "ChipRecord",
    "Conditions",
    "EvidenceCycle",
    "Examination",
    "Gathered",
    "Judgement",
    "KnownVerdict",
    "NightChanges",
    "Origin",
    "Outcome",
    "PatternRunner",
    "PinCount",
    "PinResult",
    "RetryPolicy",
    "RunKind",
    "RunRecord",
    "Verdict",
    "WaiverRecord",
    "Wave",
    "Window",
    "changes",
    "compared",
    "examine",
    "judge",
    "not_run",
    "untested",
    "unusable",
]

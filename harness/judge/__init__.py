"""From captures to verdicts with evidence."""

from harness.judge.again import joined
from harness.judge.case import Case
from harness.judge.changes import (
    Baseline,
    Change,
    KnownVerdict,
    NightChanges,
    changes,
)
from harness.judge.evidence import window
from harness.judge.examine import Examination, PatternRunner, RetryPolicy, examine
from harness.judge.reading import DRAWN, MAX_LONG_WINDOWS, MAX_READ
from harness.judge.verdict import not_run, unusable

__all__ = [
    "DRAWN",
    "MAX_LONG_WINDOWS",
    "MAX_READ",
    "Baseline",
    "Case",
    "Change",
    "Examination",
    "KnownVerdict",
    "NightChanges",
    "PatternRunner",
    "RetryPolicy",
    "changes",
    "examine",
    "joined",
    "not_run",
    "unusable",
    "window",
]

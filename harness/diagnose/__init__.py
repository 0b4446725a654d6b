"""Suspects inside a design whose chip answers wrong, ranked by what they explain (pure)."""

from harness.diagnose.diagnose import Defective, diagnose, quick_diagnosis
from harness.diagnose.evidence import Answered, answered
from harness.diagnose.separate import Table
from harness.diagnose.suspects import Ranking

__all__ = [
    "Answered",
    "Defective",
    "Ranking",
    "Table",
    "answered",
    "diagnose",
    "quick_diagnosis",
]

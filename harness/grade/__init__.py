"""How far a pass can be trusted: what a design's tables would notice on its gates (pure)."""

from harness.grade.detect import UNDETECTED, Detected, detect
from harness.grade.faults import FaultList, fault_list
from harness.grade.grade import RULES, GradedTable, grade_design, table_key

__all__ = [
    "RULES",
    "UNDETECTED",
    "Detected",
    "FaultList",
    "GradedTable",
    "detect",
    "fault_list",
    "grade_design",
    "table_key",
]

"""How far a pass can be trusted: what a design's tables would notice on its gates (pure)."""

from harness.grade.detect import detect
from harness.grade.faults import FaultList, fault_list
from harness.grade.grade import GradedTable, grade_design
from harness.grade.kept import GRADE_FILE, coverages, kept_grade, older_than, table_keys
from harness.grade.missed import Namer

__all__ = [
    "GRADE_FILE",
    "FaultList",
    "GradedTable",
    "Namer",
    "coverages",
    "detect",
    "fault_list",
    "grade_design",
    "kept_grade",
    "older_than",
    "table_keys",
]

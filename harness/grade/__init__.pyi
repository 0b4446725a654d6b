# What ``harness.grade`` shows, and where each name comes from.

from .attempt import Bench, Reach, reach_of
from .detect import detect
from .faults import FaultList, fault_list
from .grade import GradedTable, Prover, grade_design
from .kept import GRADE_FILE, coverages, kept_grade, older_than, table_keys
from .missed import Namer
from .proof import Proof, no_prover, prove
from .proposal import Proposal, labels, propose
from .segments import Compacted, compact

__all__ = [
    "GRADE_FILE",
    "Bench",
    "Compacted",
    "FaultList",
    "GradedTable",
    "Namer",
    "Proof",
    "Proposal",
    "Prover",
    "Reach",
    "compact",
    "coverages",
    "detect",
    "fault_list",
    "grade_design",
    "kept_grade",
    "labels",
    "no_prover",
    "older_than",
    "propose",
    "prove",
    "reach_of",
    "table_keys",
]

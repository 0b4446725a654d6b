"""How far a pass can be trusted: what a design's tables would notice on its gates (pure)."""

import importlib
import typing

from harness.grade.attempt import Bench, Reach, reach_of
from harness.grade.detect import detect
from harness.grade.faults import FaultList, fault_list
from harness.grade.grade import GradedTable, Prover, grade_design
from harness.grade.kept import GRADE_FILE, coverages, kept_grade, older_than, table_keys
from harness.grade.missed import Namer
from harness.grade.proof import Proof, no_prover, prove
from harness.grade.proposal import Proposal, labels, propose

if typing.TYPE_CHECKING:
    from harness.grade.segments import Compacted, compact

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

_WITH_SOLVER = ("Compacted", "compact")


def __getattr__(name: str) -> object:
    """Load the solver when a name that needs it is first asked for."""
    if name not in _WITH_SOLVER:
        message = f"module 'harness.grade' has no attribute {name!r}"
        raise AttributeError(message)
    found: object = getattr(importlib.import_module("harness.grade.segments"), name)
    return found


def __dir__() -> list[str]:
    return __all__

# What ``harness.grade`` shows, and where each name comes from.

from .attempt import Bench as Bench
from .attempt import Reach as Reach
from .attempt import reach_of as reach_of
from .detect import detect as detect
from .faults import FaultList as FaultList
from .faults import fault_list as fault_list
from .grade import GradedTable as GradedTable
from .grade import Prover as Prover
from .grade import grade_design as grade_design
from .kept import GRADE_FILE as GRADE_FILE
from .kept import coverages as coverages
from .kept import kept_grade as kept_grade
from .kept import older_than as older_than
from .kept import table_keys as table_keys
from .missed import Namer as Namer
from .proof import Proof as Proof
from .proof import no_prover as no_prover
from .proof import prove as prove
from .proposal import Proposal as Proposal
from .proposal import labels as labels
from .proposal import propose as propose
from .segments import Compacted as Compacted
from .segments import compact as compact

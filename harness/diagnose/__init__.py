"""Suspects inside a design whose chip answers wrong, ranked by what they explain (pure)."""

from harness.diagnose.diagnose import Defective as Defective
from harness.diagnose.diagnose import diagnose as diagnose
from harness.diagnose.diagnose import quick_diagnosis as quick_diagnosis
from harness.diagnose.evidence import Answered as Answered
from harness.diagnose.evidence import answered as answered
from harness.diagnose.separate import Table as Table
from harness.diagnose.suspects import Ranking as Ranking

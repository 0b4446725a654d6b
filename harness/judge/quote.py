"""The lines of a table around what failed, kept with the outcome: the file may change later."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from harness.judge.case import Case
from harness.records import Outcome, SourceLine
from harness.table import quoted_lines

AROUND = 2
"""Lines before and after one that failed."""
MAX_LINES = 24
"""Maximum number of lines, besides the table's header."""


def quoted(case: Case, outcome: Outcome) -> Outcome:
    """Add the table's lines around the failing cycles that are kept, the first ones first."""
    failing = (cycle.line for cycle in outcome.evidence)
    wanted = _around(failing)
    if not wanted:
        return outcome
    lines = quoted_lines(case.spec.path, outcome.table_sha256, wanted)
    return replace(outcome, source=tuple(SourceLine(*line) for line in lines.items()))


def _around(failing: Iterable[int]) -> set[int]:
    wanted: set[int] = set()
    for line in failing:
        more = wanted | {line + step for step in range(-AROUND, AROUND + 1)}
        if len(more) > MAX_LINES:
            break
        wanted = more
    return wanted

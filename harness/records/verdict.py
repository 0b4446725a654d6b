"""Verdicts, and which of two is worse."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """What is known of a chip's table. Only evidence from the chip makes PASS or FAIL."""

    PASS = "PASS"  # noqa: S105
    FAIL = "FAIL"
    UNSTABLE = "UNSTABLE"
    ERROR = "ERROR"
    WAIVED = "WAIVED"
    NOT_RUN = "NOT RUN"

    @property
    def judged(self) -> bool:
        """Whether the chip was tested; ERROR and NOT RUN say nothing about it."""
        return self not in (Verdict.ERROR, Verdict.NOT_RUN)

    @property
    def failed(self) -> bool:
        """Whether the chip answered wrong, always or at times, and no waiver covers it."""
        return self in (Verdict.FAIL, Verdict.UNSTABLE)

    @property
    def good(self) -> bool:
        """Whether nobody has to act: PASS or WAIVED."""
        return self in (Verdict.PASS, Verdict.WAIVED)

    @property
    def quiet(self) -> bool:
        """Whether there is nothing to show for it: PASS, or never begun."""
        return self in (Verdict.PASS, Verdict.NOT_RUN)


SEVERITY_ORDER = (
    Verdict.FAIL,
    Verdict.UNSTABLE,
    Verdict.ERROR,
    Verdict.NOT_RUN,
    Verdict.WAIVED,
    Verdict.PASS,
)
"""Worst first: a chip's verdict is the worst of its tables' verdicts."""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of the verdicts; NOT RUN if there are none."""
    return min(verdicts, key=SEVERITY_ORDER.index, default=Verdict.NOT_RUN)

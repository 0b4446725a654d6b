"""The target of a search, and the record of what was tried.

One rule: the record holds every point that was tried, even if the search broke off.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from harness.judge import Case
from harness.margin.tester import PointTester
from harness.records import MarginEdge, MarginKind, MarginPoint, MarginRecord


@dataclass(frozen=True, eq=False)
class SearchTarget:
    """A design on a chip, its tables as cases; ``table`` is empty if they are all of its tables."""

    rack: str
    cases: tuple[Case, ...]
    virtual: bool
    table: str = ""
    run_id: str = ""

    @property
    def design(self) -> str:
        """The design's name."""
        return self.cases[0].design.name

    @property
    def tables_sha256(self) -> str:
        """A hash of what is run and how: tables in order, their clocks, settling, reset."""
        text = "\n".join(
            f"{case.spec.name} {case.pattern.sha256} {case.spec.clock_hz} {case.spec.settle_us} "
            f"{case.spec.reset_cycles}"
            for case in self.cases
        )
        return hashlib.sha256(text.encode()).hexdigest()


def record_of(
    target: SearchTarget,
    kind: MarginKind,
    tester: PointTester,
    edges: Sequence[MarginEdge],
    seconds: float,
    trouble: str,
) -> MarginRecord:
    """Make the record of a search that ends now; if it broke off, edges may be missing."""
    axis, points = tester.axis, tuple(tester.points)
    case, now = target.cases[0], datetime.now(UTC)
    low, high = noise(edges[0], points) if edges else (None, None)
    return MarginRecord(
        margin_id=f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(4)}",
        run_id=target.run_id,
        measured=now,
        shuttle=case.shuttle.name,
        rack=target.rack,
        slot=case.slot,
        chip_serial=case.chip_serial,
        board_serial=tester.station.record.board_serial,
        virtual=target.virtual,
        design=target.design,
        table=target.table,
        tables_sha256=target.tables_sha256,
        kind=kind,
        declared_hz=axis.declared_hz,
        promised_hz=axis.promised_hz,
        slowest_hz=axis.hz(axis.slowest),
        fastest_hz=axis.hz(axis.grid.fewest),
        exact=axis.grid.exact,
        edges=tuple(edges),
        noise_low_hz=low,
        noise_high_hz=high,
        points=points,
        trials=tester.trials,
        seconds=seconds,
        trouble=trouble,
    )


def noise(edge: MarginEdge, points: Sequence[MarginPoint]) -> tuple[float | None, float | None]:
    """The rates in Hz between which the limit may be; both None if nothing passed or failed.

    Below the first every trial passed, above the second none did. Only points with the sample point
    and voltage of the edge count.
    """
    here = [p for p in points if (p.sample_ns, p.volts) == (edge.sample_ns, edge.volts)]
    if edge.highest_hz is None or edge.failing_hz is None:
        return edge.highest_hz or edge.failing_hz, edge.highest_hz or edge.failing_hz
    doubtful = min((p.achieved_hz for p in here if p.passes < p.trials), default=edge.failing_hz)
    hopeful = max((p.achieved_hz for p in here if p.passes), default=edge.highest_hz)
    low = (p.achieved_hz for p in here if p.achieved_hz < doubtful)
    high = (p.achieved_hz for p in here if p.achieved_hz > hopeful)
    return max(low, default=doubtful), min(high, default=hopeful)

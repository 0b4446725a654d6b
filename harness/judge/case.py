"""What is judged: a design's table on one chip in one slot. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from harness.board import RunConditions
from harness.records import Outcome, Reason, Rehearsal
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import Pattern


@dataclass(frozen=True, eq=False)
class Case:
    """A table on a chip, and everything an outcome records about its source."""

    slot: str
    chip_serial: str
    board_serial: str
    shuttle: Shuttle
    design: Design
    spec: TableSpec
    pattern: Pattern
    rehearsal: Rehearsal | None = None

    @property
    def conditions(self) -> RunConditions:
        """The conditions that the table requests."""
        spec = self.spec
        return RunConditions(
            spec.clock_hz, spec.settle_us, spec.reset_cycles, gap_free=spec.gap_free
        )

    @property
    def _unconfirmed(self) -> str:
        """A remark for the summary of a table whose expected values are unconfirmed."""
        source = self.spec.unconfirmed
        return f" Its expected values are unconfirmed: {source}." if source else ""

    def outcome(self, reason: Reason, summary: str, started: datetime) -> Outcome:
        """Make an outcome without evidence; the judge adds it with ``replace``.

        Verdict and advice come from the reason, which must go with one verdict only.
        """
        (verdict,) = reason.verdicts
        return Outcome(
            slot=self.slot,
            chip_serial=self.chip_serial,
            board_serial=self.board_serial,
            design=self.design.name,
            design_title=self.design.title,
            design_address=self.design.address,
            design_source=self.design.source,
            table=self.spec.name,
            table_file=f"{self.design.folder.name}/{self.spec.path.name}",
            table_sha256=self.pattern.sha256,
            verdict=verdict,
            reason=reason,
            summary=summary + self._unconfirmed,
            advice=reason.advice,
            rows=len(self.pattern),
            cycles=0,
            mismatches=0,
            pin_counts=(),
            evidence=(),
            window=None,
            attempts=(),
            conditions=None,
            waiver=None,
            started=started,
            seconds=0.0,
            design_author=self.design.author,
            provisional=reason,
            rules="",
            cause="",
            floating=(),
            contention=(),
            rehearsal=self.rehearsal,
        )

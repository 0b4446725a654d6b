"""Collecting what is wrong with a table without drowning its author.

One rule: the same fault is told once. Equal texts in one column become one finding at the first
place, with the number of rows; findings beyond ``MOST`` are counted, not kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from harness.errors import Finding, Findings, Location, Severity
from harness.table.symbols import Refusal

MOST = 100


@dataclass
class _Repeated:
    finding: Finding
    rows: int


@dataclass
class Complaints:
    """Findings of one table, bounded. Made per reading."""

    path: Path
    kept: list[_Repeated] = field(default_factory=list)
    by_text: dict[tuple[int, str], _Repeated] = field(default_factory=dict)
    dropped: int = 0
    refused: int = 0

    def add(self, finding: Finding) -> None:
        """Add one finding; beyond ``MOST`` it is only counted."""
        self._keep(_Repeated(finding, 1))

    def tell(self, make: Callable[[], Finding]) -> None:
        """Add the finding that is made, if there is room for it; beyond ``MOST`` none is made."""
        if len(self.kept) < MOST:
            self.add(make())
        else:
            self.dropped += 1

    def error(self, rule: str, place: Location, message: str, advice: str) -> None:
        """Add an error."""
        self.add(Finding(rule, place, message, advice))

    def extend(self, findings: Findings) -> None:
        """Add what another reader found."""
        for finding in findings.items:
            self.add(finding)

    def refuse(
        self, column: int, text: str, refusal: Refusal, rows: int, place: Callable[[], Location]
    ) -> None:
        """Add a refused cell text of a column, seen in so many rows, first at ``place()``."""
        self.refused += rows
        known = self.by_text.get((column, text))
        if known is not None:
            known.rows += rows
            return
        if len(self.kept) >= MOST:
            self.dropped += rows
            return
        finding = Finding(refusal.rule, place(), refusal.message, refusal.advice)
        repeated = _Repeated(finding, rows)
        self.by_text[column, text] = repeated
        self._keep(repeated)

    def _keep(self, item: _Repeated) -> None:
        if len(self.kept) < MOST:
            self.kept.append(item)
        else:
            self.dropped += item.rows

    @property
    def fatal(self) -> bool:
        """Whether any finding stops a run."""
        errors = any(item.finding.severity is Severity.ERROR for item in self.kept)
        return errors or self.dropped > 0

    def findings(self) -> list[Finding]:
        """Every finding in file order; a last one tells how many more there were."""
        found = sorted((_worded(item) for item in self.kept), key=lambda item: item.location)
        if self.dropped:
            found.append(
                Finding(
                    "more-findings",
                    Location(self.path),
                    f"and {self.dropped:,} more",
                    "correct those above first",
                )
            )
        return found


def _worded(item: _Repeated) -> Finding:
    if item.rows == 1:
        return item.finding
    others = "1 more row" if item.rows == 2 else f"{item.rows - 1:,} more rows"
    return replace(item.finding, message=f"{item.finding.message} (and in {others})")

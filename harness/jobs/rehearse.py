"""Rehearse tables: each on its own design's netlist, in this process, before any silicon."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness.errors import Finding
from harness.jobs.stale import stale_netlists
from harness.jobs.tables import choose_tables
from harness.rack import read_jobs, unobserved, usable
from harness.records import Rehearsal
from harness.rehearse import remarks
from harness.shuttle import Shuttle


@dataclass(frozen=True)
class RehearsedTable:
    """One table and its rehearsal; ``name`` is ``design/table``, ``path`` its file.

    ``warnings`` are about the files that it was made from or ran on.
    """

    name: str
    path: Path
    rehearsal: Rehearsal
    warnings: tuple[Finding, ...] = field(default=(), kw_only=True)

    @property
    def findings(self) -> list[Finding]:
        """The warnings, and what the rehearsal found, at its place in the table."""
        return [*self.warnings, *remarks(self.rehearsal, self.path)]


def rehearse_tables(
    shuttle: Shuttle, tables: Sequence[str] = (), tell: Callable[[str], None] = unobserved
) -> tuple[RehearsedTable, ...]:
    """Run tables on their own designs' netlists, from several power-up states each.

    ``tables`` are names or patterns of designs (``crc*``) or tables (``crc16/stream``); none means
    all. ``tell`` gets a sentence if it takes long. Results are kept in the user's cache. A table
    that fails, or that cannot be rehearsed, is no error but a result. Raises ConfigError for a name
    that matches nothing, InputError with every finding if a table cannot be read.
    """
    chosen = choose_tables(shuttle, tables)
    jobs = usable(*read_jobs(shuttle, ((one.design, one.spec) for one in chosen), tell))
    stale = {one.design.name: tuple(stale_netlists([one.design])) for one in chosen}
    return tuple(
        RehearsedTable(one.name, one.spec.path, job.rehearsal, warnings=stale[one.design.name])
        for one, job in zip(chosen, jobs, strict=True)
    )

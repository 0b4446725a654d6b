"""The tables that an intake runs, their order, and those that check the pins.

One rule: a design without an intake table is named, never silently left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.rack import ContinuityTest, Job, Rack, continuity_test, read_jobs, unobserved, usable
from harness.shuttle import Design, Shuttle


@dataclass(frozen=True, eq=False)
class IntakePlan:
    """The tables of an intake, read once, so that a sitting never mixes two versions.

    ``test`` is the continuity test, which may need further tables.
    """

    test: ContinuityTest
    tables: tuple[Job, ...]

    @property
    def pins(self) -> tuple[Job, ...]:
        """The tables of the continuity test, in its order."""
        return self.test.jobs(self.tables)

    @property
    def designs(self) -> tuple[Design, ...]:
        """Every design that has a table here, once."""
        jobs = (*self.pins, *self.tables)
        return tuple({job.design.name: job.design for job in jobs}.values())


def load_plan(rack: Rack, tell: Callable[[str], None] = unobserved) -> IntakePlan:
    """Read every table of an intake; ``tell`` gets a sentence if that takes long.

    Raises InputError with the findings of all tables.
    """
    tables = intake_tables(rack.shuttle, tell)
    return IntakePlan(continuity_test(rack, tables, tell), tables)


def intake_tables(shuttle: Shuttle, tell: Callable[[str], None]) -> tuple[Job, ...]:
    """Read every intake table, quickest first: cycles divided by the clock rate.

    Raises InputError with the findings of all tables that cannot be read.
    """
    wanted = [(design, spec) for design in shuttle.designs for spec in design.tables if spec.intake]
    jobs = usable(*read_jobs(shuttle, wanted, tell))
    return tuple(sorted(jobs, key=lambda job: job.pattern.cycles / job.spec.clock_hz))


def without_intake(shuttle: Shuttle) -> tuple[str, ...]:
    """Name the designs without an intake table."""
    return tuple(
        design.name for design in shuttle.designs if not any(spec.intake for spec in design.tables)
    )

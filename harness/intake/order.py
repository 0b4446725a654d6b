"""The tables that an intake runs, their order, and those that check the pins.

One rule: a design without an intake table is named, never silently left out.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.rack import Job, read_jobs, usable
from harness.shuttle import Design, Shuttle


@dataclass(frozen=True, eq=False)
class IntakePlan:
    """The tables of an intake, read once, so that a sitting never mixes two versions."""

    pins: tuple[Job, ...]
    tables: tuple[Job, ...]

    @property
    def designs(self) -> tuple[Design, ...]:
        """Every design that has a table here, once."""
        jobs = (*self.pins, *self.tables)
        return tuple({job.design.name: job.design for job in jobs}.values())


QUICK_PIN_TABLES = 5
"""Number of tables, the quickest ones, that check the pins if the shuttle names none."""


def load_plan(shuttle: Shuttle) -> IntakePlan:
    """Read every table of an intake. Raises InputError with the findings of all tables."""
    return IntakePlan(pin_tables(shuttle), intake_tables(shuttle))


def intake_tables(shuttle: Shuttle) -> tuple[Job, ...]:
    """Read every intake table, quickest first: cycles divided by the clock rate.

    Raises InputError with the findings of all tables that cannot be read.
    """
    wanted = [(design, spec) for design in shuttle.designs for spec in design.tables if spec.intake]
    jobs = usable(*read_jobs(shuttle, wanted))
    return tuple(sorted(jobs, key=lambda job: job.pattern.cycles / job.spec.clock_hz))


def pin_tables(shuttle: Shuttle) -> tuple[Job, ...]:
    """Read the tables that the shuttle names for the pin check, or else the quickest ones."""
    if not shuttle.pin_check:
        return intake_tables(shuttle)[:QUICK_PIN_TABLES]
    by_name = {
        f"{design.name}/{spec.name}": (design, spec)
        for design in shuttle.designs
        for spec in design.tables
    }
    return usable(*read_jobs(shuttle, [by_name[name] for name in shuttle.pin_check]))


def without_intake(shuttle: Shuttle) -> tuple[str, ...]:
    """Name the designs without an intake table."""
    return tuple(
        design.name for design in shuttle.designs if not any(spec.intake for spec in design.tables)
    )

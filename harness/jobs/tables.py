"""Choose the designs and slots of a job by name, and read their tables."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol, TypeVar

from harness.errors import ConfigError, Finding, Location
from harness.rack import Job, Rack, check_rack_models, read_jobs, unobserved, usable
from harness.records import Outcome
from harness.shuttle import Design, Shuttle, TableSpec, nearest

LEFT_OUT = "{table} is left out: its expected values are unconfirmed ({why}); name it to run it"


class Named(Protocol):
    """A design or a slot."""

    @property
    def name(self) -> str:
        """Its name in files and messages."""
        ...


Chosen = TypeVar("Chosen", bound=Named)


def load_jobs(
    rack: Rack, designs: Sequence[str] = (), tell: Callable[[str], None] = unobserved
) -> tuple[Job, ...]:
    """Read every table of the chosen designs, and their netlists if there is a virtual slot.

    ``designs`` are names or patterns of designs (``crc*``) or tables (``crc16/hand``); none means
    all designs. A table whose expected values are unconfirmed is left out unless such a table is
    named. ``tell`` gets a sentence for each of these, and if reading takes long. Raises ConfigError
    for one that matches nothing, InputError with the findings of all tables and netlists that
    cannot be used.
    """
    shuttle = rack.shuttle
    kept = confirmed(choose_tables(shuttle, designs), tell)
    jobs, findings = read_jobs(shuttle, ((one.design, one.spec) for one in kept), tell)
    chosen = {one.design.name: one.design for one in kept}.values()
    return usable(jobs, [*findings, *check_rack_models(rack, chosen)])


@dataclass(frozen=True, eq=False)
class WantedTable:
    """A table that was asked for: by its own name (``named``), or with its whole design."""

    name: str
    design: Design
    spec: TableSpec
    named: bool = False


def choose_tables(shuttle: Shuttle, wanted: Sequence[str]) -> tuple[WantedTable, ...]:
    """Choose tables by patterns of designs (``crc*``) and of tables (``crc16/stream``).

    No pattern means all. Raises ConfigError for patterns that match nothing.
    """
    known = [
        WantedTable(f"{design.name}/{spec.name}", design, spec)
        for design in shuttle.designs
        for spec in design.tables
    ]
    by_table = [name for name in wanted if "/" in name]
    by_design = [name for name in wanted if "/" not in name]
    where = shuttle.path, shuttle.name
    named = choose("table", known, by_table, *where) if by_table else ()
    some = by_design or not by_table
    designs = choose("design", shuttle.designs, by_design, *where) if some else ()
    return tuple(
        replace(one, named=one in named) for one in known if one in named or one.design in designs
    )


def confirmed(
    wanted: Iterable[WantedTable], tell: Callable[[str], None] = unobserved
) -> list[WantedTable]:
    """Leave out unconfirmed tables that are not named; ``tell`` gets a sentence for each."""
    kept = []
    for one in wanted:
        if one.named or not one.spec.unconfirmed:
            kept.append(one)
        else:
            tell(LEFT_OUT.format(table=one.name, why=one.spec.unconfirmed))
    return kept


def with_recorded(shuttle: Shuttle, outcomes: Iterable[Outcome]) -> tuple[str, ...]:
    """Return patterns for every design, and for the unconfirmed tables that a record has."""
    ran = {(outcome.design, outcome.table) for outcome in outcomes}
    return (
        *(design.name for design in shuttle.designs),
        *(
            f"{design.name}/{spec.name}"
            for design in shuttle.designs
            for spec in design.tables
            if spec.unconfirmed and (design.name, spec.name) in ran
        ),
    )


def choose(
    what: str, known: Sequence[Chosen], wanted: Sequence[str], path: Path, whole: str
) -> tuple[Chosen, ...]:
    """Pick those whose name matches one of the patterns; all if there is no pattern.

    Raises ConfigError for patterns that match no ``what`` of ``whole``, which ``path`` describes.
    """
    names = [one.name for one in known]
    lost = [name for name in wanted if not fnmatch.filter(names, name)]
    if lost:
        raise ConfigError(
            unknown(what, name, names, path, f'no {what} of {whole} matches "{name}"')
            for name in lost
        )
    return tuple(
        one
        for one in known
        if not wanted or any(fnmatch.fnmatchcase(one.name, name) for name in wanted)
    )


def unknown(what: str, name: str, known: Iterable[str], path: Path, message: str) -> Finding:
    """Make the finding about a name that a caller gave and the file at ``path`` does not have."""
    return Finding(f"unknown-{what}", Location(path), message, nearest(name, known))

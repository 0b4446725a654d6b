"""Choose the designs and slots of a job by name, and read their tables."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from harness.errors import ConfigError, Finding, Location
from harness.rack import Job, Rack, check_rack_models, read_jobs, unobserved, usable
from harness.shuttle import nearest


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

    ``designs`` are names or patterns; ``tell`` gets a sentence if it takes long. Raises ConfigError
    for one that matches no design, InputError with the findings of all tables and netlists that
    cannot be used.
    """
    shuttle = rack.shuttle
    chosen = choose("design", shuttle.designs, designs, shuttle.path, shuttle.name)
    tables = ((design, spec) for design in chosen for spec in design.tables)
    jobs, findings = read_jobs(shuttle, tables, tell)
    return usable(jobs, [*findings, *check_rack_models(rack, chosen)])


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

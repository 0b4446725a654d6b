"""Read one table of a shuttle for a script."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import harness.table
from harness.errors import ConfigError, Finding, Location
from harness.shuttle import Shuttle, nearest
from harness.table import Pattern


def load_table(shuttle: Shuttle, design: str, table: str) -> Pattern:
    """Read one table of a design as arrays.

    Raises ConfigError for a design or table that the shuttle does not have, TableError with every
    finding if the table cannot be read.
    """
    known = shuttle.designs_by_name
    if design not in known:
        raise _unknown("design", design, known, shuttle.path)
    chosen = known[design]
    specs = {spec.name: spec for spec in chosen.tables}
    if table not in specs:
        raise _unknown("table", table, specs, chosen.folder / "design.toml")
    return harness.table.load_table(specs[table], chosen, shuttle)


def _unknown(what: str, name: str, known: Mapping[str, object], path: Path) -> ConfigError:
    return ConfigError(
        [Finding(f"unknown-{what}", Location(path), f'no {what} "{name}"', nearest(name, known))]
    )

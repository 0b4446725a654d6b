"""Read one table of a shuttle for a script."""

from __future__ import annotations

import harness.table
from harness.errors import ConfigError
from harness.jobs.tables import unknown
from harness.shuttle import Shuttle
from harness.table import Pattern


def load_table(shuttle: Shuttle, design: str, table: str) -> Pattern:
    """Read one table of a design as arrays.

    Raises ConfigError for a design or table that the shuttle does not have, TableError with every
    finding if the table cannot be read.
    """
    known = shuttle.designs_by_name
    if design not in known:
        message = f'no design "{design}"'
        raise ConfigError([unknown("design", design, known, shuttle.path, message)])
    chosen = known[design]
    specs = {spec.name: spec for spec in chosen.tables}
    if table not in specs:
        path, message = chosen.folder / "design.toml", f'no table "{table}"'
        raise ConfigError([unknown("table", table, specs, path, message)])
    return harness.table.load_table(specs[table], chosen, shuttle)

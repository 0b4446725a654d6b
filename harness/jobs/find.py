"""Find a design or a table by the name or path that a person gives."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import harness.table
from harness.door import is_file, is_folder, whole_path
from harness.errors import NETLIST_COMMAND, ConfigError, Finding, Severity, netlist_advice
from harness.jobs.choices import SHUTTLE
from harness.jobs.tables import unknown
from harness.shuttle import Design, Shuttle, TableSpec, check_shuttle, nearest
from harness.table import Pattern

DESIGN = "design.toml"


def in_folder(path: str | Path, name: Path) -> Path:
    """Return a file, or the file of this name where its folder was given."""
    return Path(path) / name if is_folder(Path(path)) else Path(path)


def design_file(design: str | Path, shuttle: str | Path = SHUTTLE) -> Path:
    """Return the ``design.toml`` of a design: a name in the shuttle, a folder, or the file itself.

    Raises ConfigError if there is none.
    """
    path, top = Path(design), in_folder(shuttle, SHUTTLE)
    if is_file(path):
        return path
    places = path / DESIGN, top.parent / path / DESIGN
    for place in places:
        if is_file(place):
            return place
    message = f'no design "{design}": {" and ".join(dict.fromkeys(map(str, places)))} not found'
    known = check_shuttle(top)[0]
    names = known.designs_by_name if known is not None else ()
    advice = nearest(str(design), names) if names else "name the design's folder"
    raise ConfigError.of("unknown-design", top, message, advice)


def open_design(design: str | Path, shuttle: str | Path = SHUTTLE) -> tuple[Shuttle, Design]:
    """Open a design by its name, folder or file; it may have no table and no netlist yet.

    A netlist that is named and not there is None, as if it were not named. Raises ConfigError with
    every finding if the design or its shuttle cannot be read.
    """
    file, named = whole_path(design_file(design, shuttle)), whole_path(in_folder(shuttle, SHUTTLE))
    above = file.parent.parent
    top, findings = check_shuttle(named if named.parent == above else above / SHUTTLE)
    errors = [f for f in findings if f.severity is Severity.ERROR and not _not_yet(f, file)]
    if top is None or errors:
        raise ConfigError(errors)
    top = replace(top, designs=tuple(map(_as_made, top.designs)))
    for one in top.designs:
        if one.folder == file.parent:
            return top, one
    message = f'the shuttle does not list "{file.parent.name}"'
    raise ConfigError.of("design-not-listed", top.path, message, "add the folder to its designs")


def netlist_of(design: Design, so: str = "") -> Path:
    """Return the file of a design's netlist; raises ConfigError, with what follows, for none."""
    if design.netlist is None:
        message = f'design "{design.name}" has no netlist{so}'
        advice = netlist_advice(design.name)
        raise ConfigError.of("no-netlist", design.folder / DESIGN, message, advice)
    return design.netlist


def _not_yet(finding: Finding, file: Path) -> bool:
    """Whether the finding is that a netlist, or this design's first table, is still to be made."""
    about = finding.location.path == file and '"tables"' in finding.message
    no_table = finding.rule == "no-tables" or (finding.rule == "missing-key" and about)
    return no_table or (finding.rule == "file-missing" and NETLIST_COMMAND in finding.advice)


def _as_made(design: Design) -> Design:
    made = design.netlist is not None and is_file(design.netlist)
    return design if made else replace(design, netlist=None)


def find_table(table: str, shuttle: Path = SHUTTLE) -> tuple[Shuttle, Design, TableSpec]:
    """Find a table by ``design/table``, or by the path of its file or of its name in a folder.

    Raises ConfigError if the shuttle cannot be read or has no such design or table.
    """
    path = whole_path(Path(table))
    beside = is_file(path.parent / DESIGN)
    top, design = open_design(path.parent if beside else Path(table).parent, shuttle)
    by_file = next((spec for spec in design.tables if spec.path == path), None)
    return top, design, by_file or _table_of(design, path.name)


def load_table(shuttle: Shuttle, design: str, table: str) -> Pattern:
    """Read one table of a design as arrays.

    Raises ConfigError for a design or table that the shuttle does not have, TableError with every
    finding if the table cannot be read.
    """
    chosen = design_of(shuttle, design)
    return harness.table.load_table(_table_of(chosen, table), chosen, shuttle)


def design_of(shuttle: Shuttle, name: str) -> Design:
    """Return the design of this name; raises ConfigError if there is none."""
    known = shuttle.designs_by_name
    if name not in known:
        raise ConfigError([unknown("design", name, known, shuttle.path, f'no design "{name}"')])
    return known[name]


def _table_of(design: Design, name: str) -> TableSpec:
    known = {spec.name: spec for spec in design.tables}
    if name not in known:
        place = design.folder / DESIGN
        raise ConfigError([unknown("table", name, known, place, f'no table "{name}"')])
    return known[name]

"""A design's grade as it is kept beside its tables, and whether it is still true.

One rule: a grade is shown only if gates and rows are those that it was made from.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from harness.door import MAX_RECORD_BYTES, is_file, read_file
from harness.errors import FileUnusable
from harness.grade.grade import RULES, table_key
from harness.records import CodecError, Coverage, DesignGrade, decode, to_value
from harness.rehearse import Gates, table_rows
from harness.shuttle import Design, Shuttle
from harness.table import Pattern

GRADE_FILE = "grade.json"
"""Its name in a design's folder."""

NETLIST = "the netlist"


def kept_grade(folder: Path) -> DesignGrade | None:
    """Read the grade in a design's folder; None if there is none that can be read."""
    path = folder / GRADE_FILE
    if not is_file(path):
        return None
    try:
        return decode(DesignGrade, to_value(read_file(path, MAX_RECORD_BYTES)), GRADE_FILE)
    except (FileUnusable, CodecError):
        return None


def older_than(grade: DesignGrade, netlist: str, tables: Mapping[str, str]) -> tuple[str, ...]:
    """Say what has changed since a grade was made: the netlist, or tables by name.

    ``netlist`` is the digest of the gates today, ``tables`` those of the rows of all tables.
    """
    before = {table.name: table.key for table in grade.tables}
    changed = [NETLIST] if (grade.rules, grade.netlist) != (RULES, netlist) else []
    changed += [
        f"table {name}"
        for name in sorted(before.keys() | tables.keys())
        if before.get(name) != tables.get(name)
    ]
    return tuple(changed)


def coverages(
    design: Design, shuttle: Shuttle, patterns: Mapping[str, Pattern]
) -> dict[str, Coverage]:
    """Return what reports show beside the verdicts of a design's tables, by their names.

    ``patterns`` are the tables that are known today. A table that has changed since it was graded
    has no entry; the figure of all tables together is left out if any of them has, or is not known.
    """
    grade = kept_grade(design.folder)
    if grade is None:
        return {}
    keys = table_keys(design, shuttle, patterns)
    changed = older_than(grade, Gates(shuttle).key(design.name), keys)
    if NETLIST in changed:
        return {}
    together = None if changed else grade.count.fault_coverage
    return {
        table.name: Coverage(together, table.count.fault_coverage, grade.cells)
        for table in grade.tables
        if table.count is not None and keys.get(table.name) == table.key
    }


def table_keys(design: Design, shuttle: Shuttle, patterns: Mapping[str, Pattern]) -> dict[str, str]:
    """Make the digests of tables by which a grade knows them again; unconfirmed ones have none."""
    return {
        spec.name: table_key(*table_rows(patterns[spec.name], spec, shuttle))
        for spec in design.tables
        if spec.name in patterns and not spec.unconfirmed
    }

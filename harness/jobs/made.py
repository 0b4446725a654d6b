"""Tables that are made from a file in their design's folder: written, and rehearsed at once.

One rule: a table is replaced without being asked only if it was made from the same file.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.convert import Draft, save_table
from harness.door import MAX_SETTINGS_BYTES, file_sum
from harness.jobs.find import open_design
from harness.jobs.rehearse import RehearsedTable, rehearse_tables
from harness.shuttle import Design, Shuttle


def write_made(
    design: Design, shuttle: Shuttle, table: str, draft: Draft, made_from: Mapping[str, Any],
    *, replace: bool,
) -> RehearsedTable:  # fmt: skip
    """Write a table, record what it was made from, and rehearse it.

    ``made_from`` has the name of the file and the choices with which it was used. Raises InputError
    if the table cannot be written.
    """
    source = str(made_from["file"])
    origin = {"sha256": file_sum(design.folder / source, MAX_SETTINGS_BYTES)}
    record = {"file": source, **origin, **{k: v for k, v in made_from.items() if k != "file"}}
    again = next((spec.made_from for spec in design.tables if spec.name == table), None)
    same = again is not None and again.file == source
    save_table(design, table, draft.lines(), {"made_from": record}, replace=replace or same)
    return rehearsed(design, shuttle, table)


def rehearsed(design: Design, shuttle: Shuttle, table: str) -> RehearsedTable:
    """Rehearse a table that was just written. Raises InputError if it cannot be read."""
    top, _ = open_design(design.folder, shuttle.path)
    (one,) = rehearse_tables(top, [f"{design.name}/{table}"])
    return one

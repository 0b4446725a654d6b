"""Tables that are made from a file in their design's folder: written, and rehearsed at once.

One rule: a table is replaced without being asked only if it was made from the same file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.convert import Draft, save_table
from harness.door import MAX_SETTINGS_BYTES, file_sum, whole_path
from harness.errors import ConfigError
from harness.jobs.rehearse import RehearsedTable, rehearse_tables
from harness.shuttle import Design, Shuttle, load_shuttle


@dataclass(frozen=True)
class MadeTable:
    """A table that was written: its file, and its rehearsal on the design's netlist."""

    path: Path
    rehearsed: RehearsedTable


def design_in(folder: Path) -> tuple[Design, Shuttle]:
    """Return the design in a folder, and the shuttle in the folder above.

    Raises ConfigError with every finding if either cannot be read or they do not belong together.
    """
    place = whole_path(folder)
    shuttle = load_shuttle(place.parent)
    design = next((one for one in shuttle.designs if one.folder == place), None)
    if design is None:
        message = f"{shuttle.path} lists no design in this folder"
        advice = "name the folder of a design, or add it to designs"
        raise ConfigError.of("design-not-listed", folder, message, advice)
    return design, shuttle


def write_made(
    design: Design, shuttle: Shuttle, table: str, draft: Draft, made_from: Mapping[str, Any],
    *, replace: bool,
) -> MadeTable:  # fmt: skip
    """Write a table, record what it was made from, and rehearse it.

    ``made_from`` has the name of the file and the choices with which it was used. Raises InputError
    if the table cannot be written.
    """
    source = str(made_from["file"])
    origin = {"sha256": file_sum(design.folder / source, MAX_SETTINGS_BYTES)}
    record = {"file": source, **origin, **{k: v for k, v in made_from.items() if k != "file"}}
    again = next((spec.made_from for spec in design.tables if spec.name == table), None)
    same = again is not None and again.file == source
    path = save_table(design, table, draft, {"made_from": record}, replace=replace or same)
    (rehearsed,) = rehearse_tables(load_shuttle(shuttle.path), [f"{design.name}/{table}"])
    return MadeTable(path, rehearsed)

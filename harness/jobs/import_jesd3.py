"""Make a table from the test vectors of a JEDEC file, and replay it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from harness.convert import (
    MAX_JESD3_BYTES,
    Draft,
    Wanted,
    drafted,
    jesd3_pattern,
    jesd3_remarks,
    named_pins,
    pin_lines,
    pin_numbers,
    read_jesd3,
    save_table,
)
from harness.door import read_file
from harness.errors import ConfigError, TableError
from harness.jobs.find import open_design
from harness.jobs.import_dump import ImportedTable, ImportOptions, table_name
from harness.jobs.made import rehearsed

JEDEC_SUFFIXES = (".jed", ".jedec")
RESET_CYCLES = 0
"""The vectors of a file are all that is done to the part, so its reset is among them."""


def import_jesd3(
    path: str | Path,
    design: str | Path,
    options: ImportOptions,
    confirm: Callable[[tuple[str, ...]], bool],
    tell: Callable[[str, float], None],
) -> ImportedTable | None:
    """Write a table from a JEDEC file into a design's folder, and replay it on its netlist.

    ``confirm`` gets the pins of each signal, line by line; None is returned if it says no. ``tell``
    gets what is being done and the part that is done. Raises InputError with every finding if the
    file, the design or a name cannot be used.
    """
    source = Path(path)
    if replace(options, table="", replace=False) != ImportOptions(wanted=_only_signals(options)):
        message = "a JEDEC file has no scope, no clock and no edges to choose"
        raise ConfigError.of("not-for-jesd3", source, message, "give --map and no such option")
    shuttle, chosen = open_design(design)
    given = pin_numbers(options.wanted.signals, chosen, shuttle)
    tell("reading", 0)
    file, warnings = read_jesd3(read_file(source, MAX_JESD3_BYTES), source)
    if file is None:
        raise TableError(warnings)
    pins = named_pins(file, given, chosen, shuttle)
    vectors = jesd3_pattern(file, pins, chosen, shuttle)
    if not confirm(tuple(pin_lines(pins, chosen))):
        return None
    name = options.table or table_name(source)
    rows = tuple(drafted(vectors).folded().rows)
    settings = {"reset_cycles": RESET_CYCLES}
    tell("writing", 0)
    draft = Draft(tuple(bus.name for bus in vectors.signals), rows, jesd3_remarks(file))
    save_table(chosen, name, draft.lines(), settings, replace=options.replace)
    tell("replaying", 0)
    replayed = rehearsed(chosen, shuttle, name)
    notices = (f"left out: {file.omissions}",) if file.left_out else ()
    known = vars(replayed) | {"warnings": (*warnings, *replayed.warnings)}
    return ImportedTable(**known, rows=len(rows), notices=notices)


def _only_signals(options: ImportOptions) -> Wanted:
    return Wanted(signals=options.wanted.signals)

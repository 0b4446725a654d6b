"""Show a table as waves before anything runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.convert import cycles_window, rows_window, timing, write_file
from harness.jobs.choices import SHUTTLE
from harness.jobs.find import find_table
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import Pattern, load_table
from harness_reports import WaveHeading, table_drawing, table_waveform


def write_waves(
    table: str, paths: Sequence[Path] = (), shuttle: Path = SHUTTLE
) -> tuple[tuple[Path, str], ...]:
    """Write a table as a value change dump (``.vcd``) or a drawing (``.svg``), by the paths' ends.

    Returns the files, and for each a sentence on what it leaves out (empty if nothing).

    Without paths it writes ``DESIGN_TABLE.vcd`` and ``.svg`` into the current folder. ``table`` is
    ``design/table`` or the path of its file. Raises InputError for a table that cannot be read or
    a file that cannot be written, ValueError for a path with another ending.
    """
    top, design, spec = find_table(table, shuttle)
    pattern = load_table(spec, design, top)
    name = f"{design.name}_{spec.name}"
    written = []
    for path in paths or (Path(f"{name}.vcd"), Path(f"{name}.svg")):
        make = _MAKERS.get(path.suffix.lower())
        if make is None:
            raise ValueError(f"{path}: a wave is a file that ends in .vcd or .svg")
        data, note = make(pattern, spec, design, top)
        write_file(path, [data])
        written.append((path, note))
    return tuple(written)


def _dump(pattern: Pattern, spec: TableSpec, design: Design, shuttle: Shuttle) -> tuple[bytes, str]:
    window, note = cycles_window(pattern, design, shuttle)
    comment = f"{_reset(spec)} Inputs as driven, outputs as expected; x: not tested."
    heading = WaveHeading(f"{design.name}_{spec.name}", comment, timing(spec).quarter)
    return table_waveform(window, heading), note


def _drawing(
    pattern: Pattern, spec: TableSpec, design: Design, shuttle: Shuttle
) -> tuple[bytes, str]:
    window, note = rows_window(pattern, design, shuttle)
    data = table_drawing(window, f"{design.name} / {spec.name}", f"{_reset(spec)} {note}".strip())
    return data, note


_MAKERS = {".vcd": _dump, ".svg": _drawing}


def _reset(spec: TableSpec) -> str:
    if not spec.reset_cycles:
        return "No reset before the first row."
    return f"Before the first row: reset for {spec.reset_cycles} cycles."

"""Reads a vector table from a file into a pattern.

One rule: :func:`check_table` reports all findings at once and never raises for the content of a
file; :func:`load_table` does the same for callers that need a table without errors.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.door import MAX_TABLE_BYTES, open_file, whole_path
from harness.errors import FileUnusable, Finding, Findings, Location, TableError
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table.assemble import Assembler
from harness.table.lines import Block, LineReader, Stop
from harness.table.pattern import Pattern
from harness.table.words import Locate

SUFFIXES = (".csv", ".tsv", ".xlsx", ".ods")
_SEPARATORS = {".csv": ",", ".tsv": "\t"}


def load_table(table: TableSpec | Path, design: Design, shuttle: Shuttle) -> Pattern:
    """Return a table as a pattern.

    A path means the design's table with this file; a file that the design does not name is read
    without latency. Raises :class:`TableError` with every finding when any is an error.
    """
    return TableError.unless_sound(*check_table(table, design, shuttle))


def check_table(
    table: TableSpec | Path, design: Design, shuttle: Shuttle
) -> tuple[Pattern | None, list[Finding]]:
    """Read a table and all findings about it, in file order (at most about 100).

    The pattern is None without any rows, and must not be run when any finding is an error.
    """
    spec = table if isinstance(table, TableSpec) else spec_of(table, design)
    findings = Findings()
    read = _READERS.get(spec.path.suffix.lower(), _read_unknown)
    pattern = read(Assembler(spec, design, shuttle, findings))
    if pattern is None and not findings.errors:
        findings.error(
            "empty-table",
            Location(spec.path),
            "the table has no rows",
            "write a header and at least one row",
        )
    return pattern, findings.in_order


def spec_of(path: Path, design: Design) -> TableSpec:
    """Find the design's table with this file, or make one with the design's clock."""
    whole = whole_path(path)
    known = next((spec for spec in design.tables if spec.path == whole), None)
    return known or TableSpec(path.stem, path, design.clock_hz)


def _read_text(table: Assembler) -> Pattern | None:
    path = table.spec.path
    try:
        with open_file(path, MAX_TABLE_BYTES) as file:
            separator = _SEPARATORS[path.suffix.lower()]
            return _read_lines(LineReader(file, path, separator, table.findings), table)
    except Stop:
        return None
    except FileUnusable as error:
        table.findings.extend(error.findings)
        return None
    except OSError as trouble:
        table.findings.error(
            "file-unreadable",
            Location(path),
            f"the file cannot be read: {trouble.strerror or trouble}",
            "check the disk",
        )
        return None


def _read_lines(reader: LineReader, table: Assembler) -> Pattern | None:
    header = reader.header()
    if header is None:
        return None
    from harness.table.cells import CellReader  # noqa: PLC0415 - loads pandas, which takes a second

    heading = table.head(*header)
    cells = CellReader(heading, reader.separator)
    for block in reader.blocks(heading.width):
        if heading.used:
            table.add(cells.read(block), block.line, _locator(reader, block))
    return table.finish(reader.hash.hexdigest())


def _locator(reader: LineReader, block: Block) -> Locate:
    """Return a function for the place of a cell, which only findings need."""

    def locate(row: int, column: int) -> Location:
        line = block.body.split(b"\n", row + 1)[row].decode("utf-8")
        return reader.place(line, int(block.line[row]), column)

    return locate


def _read_spreadsheet(table: Assembler) -> Pattern | None:
    from harness.table.sheet import read_sheet  # noqa: PLC0415 - pandas, as above

    return read_sheet(table)


def _read_unknown(table: Assembler) -> Pattern | None:
    path = table.spec.path
    message = f'"{path.suffix}" is not a supported table format'
    table.findings.error(
        "unknown-table-kind", Location(path), message, f"use one of {', '.join(SUFFIXES)}"
    )
    return None


_READERS: dict[str, Callable[[Assembler], Pattern | None]] = {
    ".csv": _read_text,
    ".tsv": _read_text,
    ".xlsx": _read_spreadsheet,
    ".ods": _read_spreadsheet,
}

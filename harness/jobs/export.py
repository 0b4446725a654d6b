"""Write a table as a file of test vectors for other tools."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.convert import (
    conditions,
    jesd3_bytes,
    numbered_pins,
    pin_lines,
    pin_numbers,
    stil_lines,
    write_file,
)
from harness.jobs.choices import SHUTTLE, PatternFormat
from harness.jobs.find import find_table
from harness.table import load_table


@dataclass(frozen=True)
class Exported:
    """A file that was written: its table's rows, and cycles with those of the reset before it."""

    path: Path
    rows: int
    cycles: int
    pins: tuple[str, ...]
    """Pin numbers of each signal in a JESD3 file, a line each."""


def export_table(
    table: str,
    path: Path,
    form: PatternFormat,
    numbers: Sequence[str] = (),
    shuttle: Path = SHUTTLE,
) -> Exported:
    """Write a table (``design/table``, or the path of its file) as JESD3 or STIL.

    ``numbers`` are pin numbers of a JESD3 file (``clk=1``, ``d=5..2``); without any, the chip's
    pins are numbered in the order of the shuttle file. Raises InputError for a table that cannot be
    read, that the format cannot express, or whose file cannot be written.
    """
    top, design, spec = find_table(table, shuttle)
    pattern = load_table(spec, design, top)
    rows = conditions(pattern, spec, design, top)
    lines: tuple[str, ...] = ()
    if form is PatternFormat.JESD3:
        pins = numbered_pins(pin_numbers(numbers, design, top), design, top)
        lines = tuple(pin_lines({number: pin for pin, (number, _) in pins.items()}, design))
        chunks: Iterable[bytes] = [jesd3_bytes(rows, spec, pins)]
    else:
        chunks = (line.encode("ascii") for line in stil_lines(rows, spec, design))
    write_file(path, chunks)
    return Exported(path, len(pattern), rows.cycles, lines)

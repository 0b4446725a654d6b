"""Write the testbench of a table, for the simulators that an author has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.convert import make_testbench, write_file
from harness.jobs.choices import SHUTTLE
from harness.jobs.find import find_table
from harness.table import load_table


@dataclass(frozen=True)
class WrittenTestbench:
    """The files of a testbench, and for each simulator the commands to run it in their folder."""

    files: tuple[Path, ...]
    commands: Mapping[str, tuple[str, ...]]


def write_testbench(table: str, folder: str | Path, shuttle: Path = SHUTTLE) -> WrittenTestbench:
    """Write the self-checking testbench of a table and its data into a folder.

    ``table`` is ``design/table`` or the path of its file. Raises InputError for a table that cannot
    be read, a design without a Verilog source, or a file that cannot be written.
    """
    top, design, spec = find_table(table, shuttle)
    made = make_testbench(design, spec, top, load_table(spec, design, top))
    place = Path(folder)
    for name, text in made.files.items():
        write_file(place / name, [text.encode("ascii")])
    return WrittenTestbench(tuple(place / name for name in made.files), made.commands(place))

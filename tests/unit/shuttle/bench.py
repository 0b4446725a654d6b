"""A small shuttle on disk for tests of the readers: write, change a line, read again."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.errors import Finding
from harness.shuttle import Design, Shuttle, check_shuttle, load_shuttle

PINS = """\
[pins]
inputs = ["in0..in8"]
outputs = ["out0..out8"]
bidirectional = ["io0..io3"]
clock = "clk"
reset = { pin = "nreset", active = "low" }
select = ["seld", "selc"]
"""
"""The pins of the demo chip, for every shuttle file that a test writes."""

SHUTTLE = f"""\
name = "Plover"
organisation = "Low Tide Silicon Club"
chip_serial = "PL-[0-9]{{2}}"
designs = ["count"]

{PINS}"""

DESIGN = """\
name = "count"
title = "Counter"
address = 3
source = "worked by hand"
clock_hz = 1_000_000

[signals]
d = "in3..in0"
en = "in4"
clk = "clk"
rst_n = "nreset"
q = "out3..out0"
co = "out4"
dq = "io3..io0"
wide = "out8..out5"

[tables.main]
file = "main.csv"
clock_hz = 50_000
"""


@dataclass(frozen=True)
class Files:
    """The folder of a shuttle with one design, ``count``."""

    folder: Path

    @property
    def shuttle_file(self) -> Path:
        return self.folder / "shuttle.toml"

    @property
    def design_file(self) -> Path:
        return self.folder / "count" / "design.toml"

    def check(self) -> list[Finding]:
        return check_shuttle(self.shuttle_file)[1]

    def told(self) -> list[str]:
        """Findings without the folder in front."""
        return [str(found).replace(f"{self.folder}/", "") for found in self.check()]

    def load(self) -> tuple[Design, Shuttle]:
        shuttle = load_shuttle(self.shuttle_file)
        return shuttle.designs[0], shuttle


def write_files(
    folder: Path, shuttle: str = SHUTTLE, design: str = DESIGN, table: bytes = b"clk,q\nC,1\n"
) -> Files:
    """Write the shuttle, its design and the design's table ``main.csv``."""
    folder = folder.resolve()
    (folder / "count").mkdir(exist_ok=True)
    (folder / "shuttle.toml").write_text(shuttle, "utf-8")
    (folder / "count" / "design.toml").write_text(design, "utf-8")
    (folder / "count" / "main.csv").write_bytes(table)
    return Files(folder)

"""A design with every kind of serial interface, and its lists on their way to levels and back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from harness.convert import expand
from harness.convert.decode import Item, decode
from harness.convert.levels import expected_levels
from harness.convert.transactions import Step, TransactionList, read_transactions
from harness.errors import Findings
from harness.records import SerialInterface
from harness.shuttle import Design, load_shuttle
from harness.table import PLANES, Column, read_cell
from harness.table.symbols import Meaning
from tests.unit.shuttle.bench import PINS

SHUTTLE = f"""\
name = "Plover"
organisation = "Low Tide Silicon Club"
chip_serial = "PL-[0-9]{{2}}"
designs = ["lines"]

{PINS}"""

DESIGN = """\
name = "lines"
title = "Serial lines"
address = 3
source = "worked by hand"
clock_hz = 1_000_000

[signals]
clk = "clk"
go = "in0"
d = "in8..in1"
txd = "out0"
rxd = { pins = "io0", direction = "input" }
miso = "out1"
busy = "out2"
sck = { pins = "io1", direction = "input" }
scl = "io2"
sda = "io3"

[tables.main]
file = "main.csv"
"""


@dataclass(frozen=True)
class Lines:
    """The design with one serial interface, whose settings a test chooses."""

    folder: Path

    def design(self, settings: str) -> Design:
        (self.folder / "lines").mkdir(exist_ok=True)
        (self.folder / "shuttle.toml").write_text(SHUTTLE, encoding="utf-8")
        text = f"{DESIGN}\n[serial.line]\n{settings}\n"
        (self.folder / "lines/design.toml").write_text(text, encoding="utf-8")
        (self.folder / "lines/main.csv").write_text("clk,txd\nC,H\n", encoding="utf-8")
        return load_shuttle(self.folder).designs[0]

    def list_path(self, steps: str) -> Path:
        path = self.folder / "lines/list.toml"
        path.write_text(f'serial = "line"\n{steps}\n', encoding="utf-8")
        return path

    def told(self, settings: str, steps: str) -> list[str]:
        """Findings of a list, without the folder in front."""
        design = self.design(settings)
        return self.findings(self.list_path(steps), design)

    def findings(self, path: Path, design: Design) -> list[str]:
        findings = Findings()
        assert read_transactions(path, design, findings) is None
        return [str(one).replace(f"{self.folder}/lines/", "") for one in findings.in_order]

    def read(self, design: Design, steps: str) -> TransactionList:
        findings = Findings()
        transactions = read_transactions(self.list_path(steps), design, findings)
        assert transactions is not None, [str(one) for one in findings.items]
        return transactions

    def text(self, settings: str, steps: str) -> str:
        """The table that a list makes."""
        design = self.design(settings)
        return expand(self.read(design, steps), design).text


def items(
    design: Design, port: SerialInterface, *steps: Step, stretch: int = 0
) -> tuple[Item, ...]:
    """What is decoded from the table that a list makes; a match loop takes one cycle."""
    draft = expand(TransactionList(port, steps, stretch), design)
    rows = list(draft.rows)
    cycles = [1 if row.until else row.repeat for row in rows]
    lines = {}
    for role, name in port.lines.items():
        column = Column(design.signals_by_name[name])
        meanings = [read_cell(row.cells.get(name, ""), column) for row in rows]
        assert all(isinstance(meaning, Meaning) for meaning in meanings)
        words = {
            plane: np.repeat(np.array([getattr(m, plane) for m in meanings], np.uint32), cycles)
            for plane in PLANES
        }
        lines[role] = expected_levels(words, column.bus.pins[0].bit)
    return decode(port, lines)

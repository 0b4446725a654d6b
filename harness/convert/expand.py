"""A transaction list becomes the rows of a table.

One rule: what each line of the interface does is decided by its framing; here are the design's
other signals, and the rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from harness.convert.draft import Draft, DraftRow
from harness.convert.framing import Part, parts
from harness.convert.transactions import Step, TransactionList
from harness.records import SerialKind
from harness.shuttle import Design, Direction


def expand(transactions: TransactionList, design: Design) -> Draft:
    """Make the table of a list: the lines of its interface, and what its steps set besides.

    The design's clock is pulsed in each row, unless ``sck`` itself is.
    """
    port = transactions.port
    pulses_sck = port.kind is SerialKind.SPI and port.bit_cycles == 1
    clocks = [] if pulses_sck else design.names_on(Direction.CLOCK)
    others = list(dict.fromkeys(name for s in transactions.steps for name in (*s.set, *s.first)))
    rest = {name: _at_rest(design, name) for name in others}
    writer = _Writer(dict.fromkeys(clocks, "C"), rest)
    for step in transactions.steps:
        writer.add(step, parts(transactions, step))
    columns = tuple(dict.fromkeys((*clocks, *others, *port.lines.values())))
    remark = f'serial interface "{port.name}": {port.kind}, bit_cycles = {port.bit_cycles}'
    return Draft(columns, tuple(writer.rows), (remark,)).folded()


def _at_rest(design: Design, name: str) -> str:
    return "0" if design.signals_by_name[name].direction is Direction.INPUT else ""


@dataclass
class _Writer:
    """Collects rows; ``held`` are the cells of other signals until a step changes them."""

    clocks: Mapping[str, str]
    held: dict[str, str]
    rows: list[DraftRow] = field(default_factory=list)

    def add(self, step: Step, made: Iterable[Part]) -> None:
        """Add a step's rows; its first cycle is a row of its own if it has cells of its own."""
        self.held |= step.set
        label, note, first = step.label, step.note, dict(step.first)
        for part in made:
            rest = part
            if first and part.cycles:
                self._row(replace(part, cycles=1), label or part.label, note, first)
                rest = replace(part, cycles=part.cycles - 1, label="")
                label, note, first = "", "", {}
            if rest.cycles:
                self._row(rest, label or rest.label, note, {})
                label, note = "", ""

    def _row(self, part: Part, label: str, note: str, first: Mapping[str, str]) -> None:
        cells = {**self.clocks, **self.held, **first, **part.cells}
        self.rows.append(DraftRow(cells, part.cycles, part.until, label, note))

"""A transaction list becomes the rows of a table.

One rule: what each line of the interface does is decided by its framing; here are the design's
other signals, and the rows.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.convert.draft import Draft, DraftRow
from harness.convert.framing import parts
from harness.convert.transactions import TransactionList
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
    held = dict.fromkeys(clocks, "C") | {name: _at_rest(design, name) for name in others}
    columns = tuple(dict.fromkeys((*clocks, *others, *port.lines.values())))
    remark = f'serial interface "{port.name}": {port.kind}, bit_cycles = {port.bit_cycles}'
    return Draft(columns, _rows(transactions, held), (remark,)).folded()


def _at_rest(design: Design, name: str) -> str:
    return "0" if design.signals_by_name[name].direction is Direction.INPUT else ""


def _rows(transactions: TransactionList, held: dict[str, str]) -> Iterator[DraftRow]:
    """Yield the rows; ``held`` are the cells of other signals until a step changes them.

    A step's first cycle is a row of its own if it has cells of its own.
    """
    for step in transactions.steps:
        held = {**held, **step.set}
        label, note, first = step.label, step.note, step.first
        for part in parts(transactions, step):
            shown = label or part.label
            for cycles in (1, part.cycles - 1) if first and part.cycles else (part.cycles,):
                if cycles:
                    cells = {**held, **first, **part.cells}
                    cells.pop("", None)  # a line that the design lacks
                    yield DraftRow(cells, cycles, part.until, shown, note)
                    label, note, shown, first = "", "", "", {}

"""The example of JEDEC Standard No. 3 (JESD3): its vectors, run on its part.

Both are read from the standard's own text form: test vectors from the V fields, and what the part
does from the fuse list (L fields) of the same example, a decoder for the memory of a processor.
So the vectors check our chip model, and neither comes from us. Read from a text copy of JEDEC
Standard 3-A; five of the vectors were also confirmed in a second copy of the standard. Which fuse
column belongs to which pin is from memory (the usual order of a 20-pin array with 14 inputs), and
confirmed by the vectors.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.board import ParallelSelect
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle, TableSpec
from harness.table import Pattern, load_table
from harness.virtual.chip import ChipModel
from tests.unit.netlist.plain import Bit, Cell, document, write

PINS = 20
VECTORS = """\
V0001 000000XXXNXXXHHHLXXN
V0002 010000XXXNXXXHHHLXXN
V0003 100000XXXNXXXHHHLXXN
V0004 110000XXXNXXXHHHLXXN
V0005 111000XXXNXXXHLHHXXN
V0006 111010XXXNXXXHHHHXXN
V0007 111100XXXNXXXHHLHXXN
V0008 111110XXXNXXXLHHHXXN
"""
FUSES = """\
L000 1111101111111111111111111111
L028 1011111111111111111111111111
L056 1110111111111111111111111111
L112 0101011101111011111111111111
L224 0101011110111011111111111111
L336 0101011101110111111111111111
"""
COLUMNS = 28
TERMS = 4
"""Product terms of one output: an output is low while any of its terms is true."""
LOW_OUTPUTS = (17, 16, 15, 14)
"""Pin of each block of terms in the fuse list."""
COLUMN_PINS = (2, 1, 3, 19, 4, 18, 5)
"""Pin of the first column pairs (true, complement); later columns are unused here."""


def pin_vectors() -> list[tuple[str, str]]:
    """Number and conditions of each vector, one character a pin."""
    rows = [line.split() for line in VECTORS.splitlines()]
    assert all(len(conditions) == PINS for _, conditions in rows)
    return [(number, conditions) for number, conditions in rows]


def decoder() -> list[Cell]:
    """The part's gates from its fuse list: a 0 connects an input to its product term.

    Bit 100 + k is pin k, bit 200 + k its complement.
    """
    cells: list[Cell] = [("$_NOT_", {"A": 100 + p, "Y": 200 + p}) for p in COLUMN_PINS]
    terms: dict[int, list[Bit]] = {pin: [] for pin in LOW_OUTPUTS}
    for line in FUSES.splitlines():
        place, row = line[1:].split()
        assert len(row) == COLUMNS
        product: Bit = "1"
        for column in (k for k, fuse in enumerate(row) if fuse == "0"):
            literal = (200 if column % 2 else 100) + COLUMN_PINS[column // 2]
            cells.append(("$_AND_", {"A": product, "B": literal, "Y": 1000 + len(cells)}))
            product = cells[-1][1]["Y"]
        terms[LOW_OUTPUTS[int(place) // (COLUMNS * TERMS)]].append(product)
    for pin, products in terms.items():
        total: Bit = "0"
        for product in products:
            cells.append(("$_OR_", {"A": total, "B": product, "Y": 1000 + len(cells)}))
            total = cells[-1][1]["Y"]
        cells.append(("$_NOT_", {"A": total, "Y": 100 + pin}))
    return cells


def part(folder: Path) -> Shuttle:
    """The part as a shuttle of one design, with every pin that is no supply."""
    outputs = sorted(LOW_OUTPUTS)
    inputs = [pin for pin in range(1, PINS) if pin not in (*outputs, 10)]
    pins = [
        *(Pin(f"p{pin}", Direction.INPUT, bit) for bit, pin in enumerate(inputs)),
        *(Pin(f"p{pin}", Direction.OUTPUT, len(inputs) + k) for k, pin in enumerate(outputs)),
    ]
    ports: dict[str, tuple[str, list[Bit]]] = {
        pin.name: (pin.direction.value, [100 + int(pin.name[1:])]) for pin in pins
    }
    netlist = write(folder, document(ports, decoder()))
    design = Design(
        name="decoder",
        title="Memory decoder",
        author="JEDEC",
        address=0,
        source="JESD3, example file",
        clock_hz=1e6,
        folder=folder,
        signals=tuple(Bus(pin.name, (pin,), pin.direction) for pin in pins),
        tables=(),
        top="top",
        netlist=netlist,
    )
    return Shuttle("Part", "JEDEC", ".*", tuple(pins), (design,), folder / "part.toml", "")


def pattern(folder: Path, shuttle: Shuttle, vectors: list[tuple[str, str]]) -> Pattern:
    """The vectors as a table in our format: one column a pin, supplies (N) left out."""
    named = {int(pin.name[1:]) for pin in shuttle.pins}
    header = ",".join(["label", *(f"p{pin}" for pin in range(1, PINS + 1) if pin in named)])
    rows = [
        ",".join([number, *(c for pin, c in enumerate(conditions, 1) if pin in named)])
        for number, conditions in vectors
    ]
    path = write(folder, "\n".join([header, *rows, ""]), "table.csv")
    spec = TableSpec(name="example", path=path, clock_hz=1e6)
    return load_table(spec, shuttle.designs[0], shuttle)


def mismatches(shuttle: Shuttle, table: Pattern) -> dict[str, list[str]]:
    """Pins that were not as expected, by the label of the vector."""
    chip = ChipModel(shuttle, ParallelSelect(()), "1")
    seen, _ = chip.run(table.drive, table.enable, table.pulse, table.highz)
    wrong = (seen ^ table.expect) & table.care
    return {
        table.labels[int(row)]: [pin.name for pin in shuttle.pins if int(wrong[row]) & pin.mask]
        for row in np.flatnonzero(wrong)
    }


def test_the_example_vectors_pass_on_the_example_part(tmp_path: Path) -> None:
    shuttle = part(tmp_path)
    table = pattern(tmp_path, shuttle, pin_vectors())
    assert len(table) == 8
    assert {int(care).bit_count() for care in table.care} == {4}, "H and L on four pins, N on none"
    assert mismatches(shuttle, table) == {}


@pytest.mark.parametrize("row", range(8))
@pytest.mark.parametrize("pin", LOW_OUTPUTS)
def test_a_wrong_expectation_is_found_where_it_is(tmp_path: Path, row: int, pin: int) -> None:
    shuttle = part(tmp_path)
    vectors = pin_vectors()
    number, conditions = vectors[row]
    other = {"H": "L", "L": "H"}[conditions[pin - 1]]
    vectors[row] = (number, conditions[: pin - 1] + other + conditions[pin:])
    assert mismatches(shuttle, pattern(tmp_path, shuttle, vectors)) == {number: [f"p{pin}"]}

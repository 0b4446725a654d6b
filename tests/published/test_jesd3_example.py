"""The example of JEDEC Standard No. 3 (JESD3): its vectors, imported and run on its part.

Both are read from the standard's own file: test vectors from the V fields by our importer, and what
the part does from the fuse list (L fields) of the same file, a decoder for the memory of a
processor. So the vectors check our chip model, and neither comes from us. Read from two text copies
of JEDEC Standard 3-A; the fuse checksum (C field) confirms the fuse list. The transmission checksum
is left out (0000): the copies do not tell the white space of the original. Which fuse column is
which pin is from memory (the usual order of a 20-pin array with 14 inputs), and confirmed by the
vectors.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from harness.board import ParallelSelect
from harness.convert import jesd3_pattern, read_jesd3
from harness.shuttle import Bus, Design, Direction, Pin, Shuttle
from harness.table import Pattern
from harness.virtual.chip import ChipModel
from tests.unit.netlist.plain import Bit, Cell, document, write

EXAMPLE = """\
\2File for PLD 12S8 Created on 8-Feb-85 3:05PM
6809 memory decode 123-0017-001
Joe Engineer Advanced Logic Corp *
QP20* QF448* QV8*
F0* X0*
L000 1111101111111111111111111111*
L028 1011111111111111111111111111*
L056 1110111111111111111111111111*
L112 0101011101111011111111111111*
L224 0101011110111011111111111111*
L336 0101011101110111111111111111*
V0001 000000XXXNXXXHHHLXXN*
V0002 010000XXXNXXXHHHLXXN*
V0003 100000XXXNXXXHHHLXXN*
V0004 110000XXXNXXXHHHLXXN*
V0005 111000XXXNXXXHLHHXXN*
V0006 111010XXXNXXXHHHHXXN*
V0007 111100XXXNXXXHHLHXXN*
V0008 111110XXXNXXXLHHHXXN*
C124E*
\x030000
"""
PINS = 20
FUSES = re.findall(r"L(\d+) ([01]+)\*", EXAMPLE)
COLUMNS = 28
TERMS = 4
"""Product terms of one output: an output is low while any of its terms is true."""
LOW_OUTPUTS = (17, 16, 15, 14)
"""Pin of each block of terms in the fuse list."""
COLUMN_PINS = (2, 1, 3, 19, 4, 18, 5)
"""Pin of the first column pairs (true, complement); later columns are unused here."""


def decoder() -> list[Cell]:
    """The part's gates from its fuse list: a 0 connects an input to its product term.

    Bit 100 + k is pin k, bit 200 + k its complement.
    """
    cells: list[Cell] = [("$_NOT_", {"A": 100 + p, "Y": 200 + p}) for p in COLUMN_PINS]
    terms: dict[int, list[Bit]] = {pin: [] for pin in LOW_OUTPUTS}
    for place, row in FUSES:
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


def pattern(shuttle: Shuttle, text: str = EXAMPLE) -> Pattern:
    """The vectors, imported: the pins of the file by their numbers, without the supplies."""
    file, findings = read_jesd3(text.encode("ascii"), Path("example.jed"))
    assert file is not None
    assert findings == []
    pins = {int(pin.name[1:]): pin for pin in shuttle.pins}
    return jesd3_pattern(file, pins, shuttle.designs[0], shuttle)


def mismatches(shuttle: Shuttle, table: Pattern) -> dict[int, list[str]]:
    """Pins that were not as expected, by vector."""
    chip = ChipModel(shuttle, ParallelSelect(()), "1")
    seen, _ = chip.run(table.drive, table.enable, table.pulse, table.highz)
    wrong = (seen ^ table.expect) & table.care
    return {
        int(row) + 1: [pin.name for pin in shuttle.pins if int(wrong[row]) & pin.mask]
        for row in np.flatnonzero(wrong)
    }


def test_the_copy_of_the_fuse_list_has_the_checksum_of_the_example() -> None:
    fuses = np.zeros(448, np.uint8)
    for place, row in FUSES:
        fuses[int(place) : int(place) + len(row)] = [int(fuse) for fuse in row]
    assert int(np.packbits(fuses, bitorder="little").sum(dtype=np.int64)) == 0x124E


def test_the_example_is_read_whole() -> None:
    file, findings = read_jesd3(EXAMPLE.encode("ascii"), Path("example.jed"))
    assert file is not None
    assert findings == []
    assert file.heading.endswith("123-0017-001 Joe Engineer Advanced Logic Corp")
    assert (file.order, file.default) == (tuple(range(1, 21)), "0")
    assert file.left_out == {"QF": 1, "F": 1, "L": 6, "C": 1}
    vectors = [f"V{k:04d} {row.tobytes().decode()}*" for k, row in enumerate(file.symbols, 1)]
    assert vectors == [line for line in EXAMPLE.splitlines() if line.startswith("V")]


def test_the_example_vectors_pass_on_the_example_part(tmp_path: Path) -> None:
    shuttle = part(tmp_path)
    table = pattern(shuttle)
    assert len(table) == 8
    assert {int(care).bit_count() for care in table.care} == {4}, "H and L on four pins, N on none"
    assert {int(enable).bit_count() for enable in table.enable} == {14}, "X0: every input is driven"
    assert mismatches(shuttle, table) == {}


@pytest.mark.parametrize("row", range(8))
@pytest.mark.parametrize("pin", LOW_OUTPUTS)
def test_a_wrong_expectation_is_found_where_it_is(tmp_path: Path, row: int, pin: int) -> None:
    shuttle = part(tmp_path)
    at = EXAMPLE.index(f"V{row + 1:04d} ") + len("V0000 ") + pin - 1
    other = {"H": "L", "L": "H"}[EXAMPLE[at]]
    table = pattern(shuttle, EXAMPLE[:at] + other + EXAMPLE[at + 1 :])
    assert mismatches(shuttle, table) == {row + 1: [f"p{pin}"]}

"""A table as test conditions of JESD3: a symbol for each pin in each row, the reset included.

One rule: what a board drives, and nothing else. The reset before the table comes first, if the
design has a reset; pins that select the design are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.rehearse import table_rows
from harness.shuttle import Design, Direction, Pin, Shuttle, TableSpec
from harness.table import Pattern

RESET_LABEL = "reset"


@dataclass(frozen=True, eq=False)
class Conditions:
    """Symbols ``0 1 C K H L Z F N`` in ASCII, ``(rows, pins)``; ``N``: neither driven nor tested.

    ``repeat`` and ``until`` are those of a pattern. ``line`` is the line of the table, 0 for the
    reset. ``labels`` are by row. ``heading`` says what a reader of the file must know.
    """

    heading: tuple[str, ...]
    pins: tuple[Pin, ...]
    symbols: NDArray[np.uint8]
    repeat: NDArray[np.int64]
    until: NDArray[np.bool_]
    line: NDArray[np.int32]
    labels: Mapping[int, str]

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.symbols)

    @property
    def cycles(self) -> int:
        """Number of cycles if each ``until`` row takes one."""
        return int(np.where(self.until, 1, self.repeat).sum())


def ascii_text(text: str) -> str:
    """Return a text in one line of printable ASCII, with escapes for other characters."""
    return "".join(c if " " <= c <= "~" else ascii(c)[1:-1] for c in " ".join(text.split()))


def conditions(pattern: Pattern, spec: TableSpec, design: Design, shuttle: Shuttle) -> Conditions:
    """Return what every pin of the chip, but those that select the design, does in each row."""
    rows, first = table_rows(pattern, spec, shuttle)
    used = sum(signal.mask for signal in design.signals)
    if not used & shuttle.mask(Direction.RESET):
        rows, first = rows[first:], 0
    drive, enable, pulse, expect, care, highz, repeat, until = rows.T
    pulse[:first] &= used
    pins = tuple(pin for pin in shuttle.pins if pin.direction is not Direction.SELECT)
    symbols = np.empty((len(rows), len(pins)), np.uint8)
    for column, pin in enumerate(pins):
        on, one, edge, tested, high, floats = (
            (plane & pin.mask) != 0 for plane in (enable, drive, pulse, care, expect, highz)
        )
        untested = "N" if design.roles.get(pin, pin.direction) is Direction.OUTPUT else "F"
        symbols[:, column] = np.select(
            [on & edge & one, on & edge, on & one, on, tested & high, tested, floats],
            np.frombuffer(b"KC10HLZ", np.uint8),
            np.uint8(ord(untested)),
        )
    settle = f", {spec.settle_us:g} us to settle" if spec.settle_us else ""
    labels = {row + first: text for row, text in pattern.labels.items()}
    return Conditions(
        (
            f"{shuttle.name}: table {spec.name} of design {design.name} ({design.title})",
            f"Select the design (address {design.address}) before the first vector",
            f"{spec.clock_hz:g} cycles per second{settle}",
        ),
        pins,
        symbols,
        repeat,
        until != 0,
        np.concatenate((np.zeros(first, np.int32), pattern.line)),
        {0: RESET_LABEL, **labels} if first else labels,
    )

"""Writes a table as a JESD3 file (JEDEC Standard No. 3): one vector for each cycle.

One rule: nothing is dropped. Repeated rows are written out and the reset comes first; a row that
waits for its outputs (``until``) is refused, because the standard has nothing like it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from harness.convert.conditions import Conditions, ascii_text
from harness.convert.jesd3_frame import framed
from harness.convert.jesd3_pins import pin_comment
from harness.convert.jesd3_read import MAX_NOTE, MAX_VECTORS
from harness.errors import Findings, Location, TableError
from harness.shuttle import Pin, TableSpec


def jesd3_bytes(table: Conditions, spec: TableSpec, names: Mapping[Pin, tuple[int, str]]) -> bytes:
    """Return the file. ``names`` has the number and name of each pin that is written.

    Raises TableError with the lines of rows that a JESD3 file cannot express.
    """
    _check(table, spec)
    wide = max(number for number, _ in names.values())
    symbols = np.full((len(table), wide), ord("N"), np.uint8)
    for column, pin in enumerate(table.pins):
        if pin in names:
            symbols[:, names[pin][0] - 1] = table.symbols[:, column]
    lines = [
        *map(_text, table.heading),
        "*",
        *(f"N {_text(pin_comment(number, name))}*" for number, name in sorted(names.values())),
        f"QP{wide}*",
        f"QV{table.repeat.sum()}*",
        *_vectors(table, [row.tobytes().decode("ascii") for row in symbols]),
    ]
    return framed("".join(f"{line}\r\n" for line in lines).encode("ascii"))


def _check(table: Conditions, spec: TableSpec) -> None:
    findings = Findings()
    for row in np.flatnonzero(table.until).tolist():
        findings.error(
            "until-not-in-jesd3",
            Location(spec.path, int(table.line[row])),
            f'"until {table.repeat[row]}" cannot be written: JESD3 has no vector that waits',
            "write a count, or export STIL",
        )
    cycles = int(table.repeat.sum())
    if cycles > MAX_VECTORS and not findings.errors:
        findings.error(
            "too-many-cycles",
            Location(spec.path, int(table.line[int(table.repeat.argmax())])),
            f"the table has {cycles:,} cycles, a vector each; the limit is {MAX_VECTORS:,}",
            "repeat less, or export STIL",
        )
    if findings.errors:
        raise TableError(findings.items)


def _vectors(table: Conditions, symbols: Sequence[str]) -> Iterator[str]:
    number = 0
    for row, times in enumerate(table.repeat.tolist()):
        if row in table.labels:
            yield f"N {_text(table.labels[row])}*"
        for _ in range(times):
            number += 1
            yield f"V{number:04d} {symbols[row]}*"


def _text(text: str) -> str:
    """Return a text as a field may have it: printable ASCII without an asterisk."""
    return ascii_text(text).replace("*", "\\x2a")[:MAX_NOTE]

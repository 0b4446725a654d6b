"""Every mismatch that was kept as evidence, as CSV for spreadsheets.

The one rule: a cell that a spreadsheet would take for a formula starts with an apostrophe.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from harness.store import ChipRecord, Outcome
from reports.texts import printable

COLUMNS = (
    "design", "table", "verdict", "cycle", "row", "line", "repetition", "label", "pin", "signal",
    "expected", "observed",
)  # fmt: skip

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def mismatches_csv(chip: ChipRecord) -> bytes:
    """Return one row per wrong pin and cycle of the chip's outcomes, as UTF-8 (RFC 4180)."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for outcome in chip.outcomes:
        writer.writerows(_rows(outcome))
    return text.getvalue().encode("utf-8")


def plain_cell(value: object) -> str:
    """Return the text of a cell that no spreadsheet takes for a formula."""
    text = printable(str(value))
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


def _rows(outcome: Outcome) -> Iterator[list[str]]:
    for cycle in outcome.evidence:
        for pin in cycle.wrong:
            values = (
                outcome.design, outcome.table, outcome.verdict.value, cycle.cycle, cycle.row,
                cycle.line, cycle.repetition, cycle.label, pin.pin, pin.signal, pin.expected,
                pin.observed,
            )  # fmt: skip
            yield [plain_cell(value) for value in values]

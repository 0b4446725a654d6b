"""Every mismatch that was kept as evidence, as CSV for spreadsheets."""

from __future__ import annotations

from collections.abc import Iterator

from harness.records import ChipRecord, Outcome
from harness_reports.sheet import Cell, csv_bytes
from harness_reports.texts import level

COLUMNS = (
    "design", "table", "verdict", "cycle", "row", "line", "repetition", "label", "pin", "signal",
    "expected", "observed",
)  # fmt: skip


def mismatches_csv(chip: ChipRecord) -> bytes:
    """Return one row per wrong pin and cycle of the chip's outcomes, as UTF-8 (RFC 4180)."""
    return csv_bytes(COLUMNS, (row for outcome in chip.outcomes for row in _rows(outcome)))


def _rows(outcome: Outcome) -> Iterator[tuple[Cell, ...]]:
    for cycle in outcome.evidence:
        for pin in cycle.wrong:
            yield (
                outcome.design, outcome.table, outcome.verdict.value, cycle.cycle, cycle.row,
                cycle.line, cycle.repetition, cycle.label, pin.pin, pin.signal,
                level(pin.expected), pin.observed,
            )  # fmt: skip

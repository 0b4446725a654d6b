"""Vector tables become patterns."""

from harness.table.excerpt import quoted_lines
from harness.table.header import signal_columns
from harness.table.names import Names, bits, observed
from harness.table.pattern import NO_CYCLES, Cycles, Pattern
from harness.table.reader import SUFFIXES, check_table, load_table
from harness.table.symbols import (
    PLANES,
    SYMBOLS,
    TESTING,
    Column,
    Planes,
    Refusal,
    Words,
    read_cell,
)
from harness.table.workbook import SheetUnfit, look_through

__all__ = [
    "NO_CYCLES",
    "PLANES",
    "SUFFIXES",
    "SYMBOLS",
    "TESTING",
    "Column",
    "Cycles",
    "Names",
    "Pattern",
    "Planes",
    "Refusal",
    "SheetUnfit",
    "Words",
    "bits",
    "check_table",
    "load_table",
    "look_through",
    "observed",
    "quoted_lines",
    "read_cell",
    "signal_columns",
]
